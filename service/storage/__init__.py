"""The database: rows, and the way from rows to domain values. Knows SQLAlchemy and domain/, nothing else.

Start with `tables.py`, then `unit_of_work.py` (one transaction, all repositories).
"""
