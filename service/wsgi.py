"""For a WSGI server of the operator's own, such as `gunicorn service.wsgi:app`: pages, callbacks and /health.

It sends nothing, looks into no mailbox and hears no line of a transport, unlike `tragus serve`. Beside it runs
`tragus work` (engine "procrastinate"), or a timer that calls `tragus send` every minute (engine "embedded").
"""

from __future__ import annotations

from service.config import read_settings
from service.web.app import create_app
from service.wiring import build

_settings = read_settings()
app = create_app(build(_settings), _settings)
