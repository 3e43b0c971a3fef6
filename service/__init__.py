"""tragus: from the findings of one ear-care visit to a kept aftercare plan.

Start reading at `service/domain/visit.py`, then follow the straight path drawn in `DEVELOPERS.md`.
"""
