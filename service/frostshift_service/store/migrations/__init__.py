"""The steps from one schema to the next, run at every start by `run.upgrade_to_head`.

A new step after a change to `tables.py`: `python -m frostshift_service.store.migrations "what changed"`, then read and
mend what was written into `versions/`. A step that has been released is never edited.
"""
