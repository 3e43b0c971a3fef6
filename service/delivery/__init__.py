"""Use cases that send exactly what is due. Start with `dispatch.py`: claim, decide, compose, hand over, record."""
