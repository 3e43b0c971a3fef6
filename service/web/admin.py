"""The place of the pages about what goes out (`outgoing.py`)."""

from __future__ import annotations

from flask import Blueprint

from service.web import outgoing

bp = Blueprint("admin", __name__)

bp.add_url_rule("/outgoing", "outgoing", outgoing.show)
bp.add_url_rule("/outgoing/channels/<name>", "channel", outgoing.change_channel, methods=["POST"])
bp.add_url_rule("/messages/<message_id>", "message", outgoing.message)
bp.add_url_rule("/messages/<message_id>/settle", "settle", outgoing.settle_message, methods=["POST"])
