"""`python -m service` is the `tragus` command."""

from __future__ import annotations

from service.ops.cli import main

if __name__ == "__main__":
    main()
