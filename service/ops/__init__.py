"""Running the service: the `tragus` command, the ticks, the demo's seeding. Start with `cli.py`."""
