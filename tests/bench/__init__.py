"""Benchmarks; they compute with one thread, as the service does."""

import os

# Before numpy is there, whatever a benchmark imports first; see `frostshift_service`.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
