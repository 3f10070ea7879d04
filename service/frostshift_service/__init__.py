"""The service around the rules: store, weather, schedule, plan runs, pages and commands."""

import os
from importlib.metadata import version

# Before anything loads numpy: its threads wait for each other in busy loops, and our matrices are small. With them the
# first plan of the demo takes four times the processor (measured), and two copies on one machine hold each other up.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = version("frostshift")
