"""The content pack: TOML files of the clinical lead to checked values. Knows files, TOML, pydantic; and domain/.

Start with `loader.py` (files to a `Pack`, with every fault at once), then `checks.py` (what must hold across files).
"""
