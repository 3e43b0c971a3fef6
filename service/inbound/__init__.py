"""What comes back: receipts, bounces, complaints, and words by text or mail.

May import planning and everything inward of it; knows no delivery. Start with `replies.py`, then `mail.py`.
"""
