"""The pages: parse a request, call one use case, show the result. Knows Flask.

Start with `app.py`. Staff pages need a sign-in (`access.py`); the patient's page needs its link and nothing else.
"""
