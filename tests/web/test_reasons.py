"""Has every reason that can stand on the attention list a label in plain words?"""

from __future__ import annotations

import ast
import importlib
from collections.abc import Iterator
from pathlib import Path

from service.domain.sending import Reason
from service.inbound.replies import ASK, Meaning
from service.web.reasons import ATTENTION, label

ROOT = Path(__file__).resolve().parents[2]
BOOKS = ("ledger", "inbound")


def asked() -> Iterator[tuple[str, ast.expr]]:
    """The reason of each call that puts something on the attention list, and its module."""
    for path in sorted((ROOT / "service").rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "ask":
                owner = node.func.value
                if isinstance(owner, ast.Attribute) and owner.attr in BOOKS:
                    yield module, node.args[1]


def values_of(module: str, reason: ast.expr) -> Iterator[str]:
    if isinstance(reason, ast.Constant):
        yield str(reason.value)
    elif isinstance(reason, ast.BoolOp):
        for one in reason.values:
            yield from values_of(module, one)
    elif isinstance(reason, ast.IfExp):
        yield from values_of(module, reason.body)
        yield from values_of(module, reason.orelse)
    elif isinstance(reason, ast.Name):
        found = getattr(importlib.import_module(module), reason.id, None)
        if isinstance(found, str):
            yield found
    elif isinstance(reason, ast.Attribute) and isinstance(reason.value, ast.Name):  # such as Reason.REFUSED
        found = getattr(getattr(importlib.import_module(module), reason.value.id, None), reason.attr, None)
        if isinstance(found, str):
            yield found


def test_every_reason_that_the_code_puts_on_the_list_has_a_label() -> None:
    found = {value for module, reason in asked() for value in values_of(module, reason)}
    assert {"uncertain", "language", "contact-invalid", "late-bounce", "complaint"} <= found, "the code was read"
    assert sorted(found - ATTENTION.keys()) == []


def test_every_reason_that_is_handed_on_in_a_variable_has_a_label() -> None:
    every = {*Reason, *Meaning, *ASK, "channel-stopped", "channel-started"}
    assert sorted(every - ATTENTION.keys()) == []


def test_a_label_is_a_sentence_for_staff_and_never_the_code() -> None:
    for code in ATTENTION:
        said = label(code)
        assert said[0].isupper() and said.casefold() != code
        assert not said.endswith(".")
    assert label("not-known-here") == "Not-known-here"
