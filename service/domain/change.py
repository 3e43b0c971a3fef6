"""How a rule alters what is otherwise asked: an earlier return, a line of technique, one ear after the other."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a rule alters what is otherwise asked. Several changes combine to the safer one, never to the last one. Where
    the aftercare has no return, `return_wording` asks for one on the latest day that the rule allows, and not before
    `return_days_at_least`. Both are days after the visit."""

    return_days_at_most: int | None = None
    return_days_at_least: int | None = None
    return_wording: str | None = None
    technique: tuple[str, ...] = ()
    alternate_ears: bool = False

    def __post_init__(self) -> None:
        if (self.return_wording is None) != (self.return_days_at_least is None):
            raise ValueError("return_wording and return_days_at_least come together")
        if self.return_days_at_least is not None:
            most = self.return_days_at_most
            if most is None or not 0 < self.return_days_at_least <= most:
                raise ValueError("return_days_at_least is 1 or more, and return_days_at_most is not less")
