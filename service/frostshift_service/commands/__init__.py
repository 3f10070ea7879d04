"""The commands of `frostshift`, a file a topic; `cli.py` puts them together."""
