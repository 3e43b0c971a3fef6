"""For a WSGI server of the operator's own: `gunicorn service.wsgi:app`, with `tragus send` beside it."""

from __future__ import annotations

from service.config import read_settings
from service.web.app import create_app
from service.wiring import build

_settings = read_settings()
app = create_app(build(_settings), _settings)
