"""Plan to words: sentences in a language, then a page, a sheet, a mail, a text. Knows Jinja2, Babel and typst.

Start with `wordings.py` (one phrase to one sentence), then `reading.py` (a whole plan as a reader meets it).
"""
