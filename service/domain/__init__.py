"""The rules of the trade: pure values and functions, standard library only.

No clock, no network, no database and no gettext in here: time, zone and randomness come in as arguments.
Start with `visit.py` (what came in), then `pack.py` (the clinic-approved content), then `build.py` (visit to plan).
"""
