"""`python -m tests.weather_services` from the repository's root: prints the address, runs until its input ends."""

from __future__ import annotations

import sys
import threading

from .server import WeatherServices


def main() -> None:
    """Serve until standard input is closed: the process ends with the one that started it."""
    server = WeatherServices()
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    print(server.base_url, flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
