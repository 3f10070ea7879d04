"""The service around the rules: store, weather, schedule, plan runs, pages and commands."""

from importlib.metadata import version

__version__ = version("frostshift")
