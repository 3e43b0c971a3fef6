"""For a WSGI server of the operator's own, such as `gunicorn service.wsgi:app`: pages, callbacks and /health.

With engine "embedded" each of its processes that serves can look for due messages too, as `tragus serve` does; one of
them holds that duty. A process that only forks those which serve (`gunicorn --preload`), or only starts them anew (the
reloader of `flask run --debug`), does not. With engine "procrastinate" it sends nothing: `tragus work` runs beside it.
"""

from __future__ import annotations

import os

from flask.helpers import get_debug_flag

from service.config import read_settings
from service.ops.cli import owner
from service.ops.ticker import TickBeside
from service.web.app import create_app
from service.wiring import build


def _only_restarts() -> bool:
    """Whether this process of `flask run --debug` serves nothing: its reloader starts another one that does."""
    under_flask = os.environ.get("FLASK_RUN_FROM_CLI") == "true"
    return under_flask and get_debug_flag() and os.environ.get("WERKZEUG_RUN_MAIN") != "true"


_settings = read_settings()
_services = build(_settings)
os.register_at_fork(before=_services.open_work().let_go)  # no open connection may be shared by two processes
app = create_app(_services, _settings)
if _settings.engine == "embedded" and not _only_restarts():
    TickBeside(_services, owner, _settings.tick_seconds, _settings.mailbox).begin()
