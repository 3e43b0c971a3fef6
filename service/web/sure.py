"""Is this meant? What cannot be taken back easily is done at the second press; the first shows what would happen."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response, make_response, render_template, request


def asked_first(
    *, title: str, said: Sequence[str], button: str, back: str, here: str, mark: str = "yes", listed: Sequence[str] = ()
) -> Response | None:
    """The page that asks, or None when it was asked and answered.

    The form of the page repeats the fields of the first press, with `mark` beside them. A mark that says what was shown
    (which letters, say) makes the page ask again when that is another by now. `here` is the part of the navigation.
    """
    answered = request.form.get("sure")
    if answered == mark:
        return None
    page = render_template(
        "staff/sure.html",
        title=title,
        said=said,
        listed=listed,
        button=button,
        back=back,
        section=here,
        mark=mark,
        changed=answered is not None,
        fields=[(name, value) for name, value in request.form.items(multi=True) if name not in ("csrf", "sure")],
    )
    return make_response(page)
