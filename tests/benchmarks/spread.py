"""How long does it take to give each person a week, how near is that to the best, and who moves on the next day?

usage: python spread.py [--people 1000 10000 100000] [--seed 1] [--kind roomy busy]

Invented people, with the costs and the priors of the shipped content: recalls of 3 to 12 months, some of them overdue,
three channels and a few people without one; two weeks closed. `roomy` has a tenth more room than answers, `busy` a
tenth less.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import the_pack

from service.domain.spreading import Due, Spread, answer_chances, cure
from service.solving.spread import spread

WEEKS, CLOSED = 52, (20, 40)
KINDS = [(13, 2, 3, 5.0), (26, 4, 6, 4.0), (26, 4, 8, 2.0), (39, 6, 10, 1.0), (52, 8, 13, 1.0)]
"""Weeks between a visit and the next, how many sooner and later it may be, and the weight."""
SEEN = {"text": (212, 400), "email": (90, 240), "letter": (33, 100)}
ROOM = {"roomy": 1.1, "busy": 0.9}


def people_due(number: int, chance: random.Random) -> list[Due]:
    chances = [*answer_chances(SEEN, the_pack().recall.answer_prior).values(), 0.0]
    found: list[Due] = []
    while len(found) < number:
        between, sooner, later, weight = chance.choices(KINDS, [0.1, 0.2, 0.3, 0.2, 0.2])[0]
        seen = chance.randrange(-between - 4, 0) if chance.random() < 0.97 else -between - chance.randrange(20)
        ideal = seen + between
        if ideal < WEEKS:
            found.append(
                Due(
                    id=f"person-{len(found)}",
                    earliest=ideal - sooner,
                    ideal=ideal,
                    latest=ideal + later,
                    weight=weight,
                    answer=chance.choices(chances, [0.5, 0.25, 0.22, 0.03])[0],
                )
            )
    return found


def later(dues: Sequence[Due], found: Spread, by: int) -> list[Due]:
    """The same people, so many weeks later, without those whose week has passed; the next two weeks are promised."""
    held = {due.id: found.weeks[due.id] - by for due in dues}
    return [
        replace(
            due,
            earliest=due.earliest - by,
            ideal=due.ideal - by,
            latest=due.latest - by,
            held=held[due.id],
            promised=held[due.id] < 2,
        )
        for due in dues
        if held[due.id] >= 0
    ]


def said(name: str, dues: Sequence[Due], capacity: Sequence[float]) -> Spread:
    """Spread, and one line about it."""
    begun = time.perf_counter()
    found = spread(dues, capacity, the_pack().recall.costs)
    took = time.perf_counter() - begun
    print(
        f"  {name:<30} {took:6.2f} s  over {sum(found.over.values()):7.2f}  gap {found.gap:.6f}"
        f"  outside {len(found.outside):5}  overdue {len(found.overdue):5}  moved {len(found.moved):5}",
        flush=True,
    )
    return found


def measured(number: int, seed: int, kind: str) -> None:
    """One size: the first night, the next one with nothing new, the turn of the week, and one with new people."""
    chance = random.Random(seed)
    dues = people_due(number, chance)
    each_week = ROOM[kind] * sum(due.answer for due in dues) / (WEEKS - len(CLOSED))
    capacity = [0.0 if week in CLOSED else each_week for week in range(WEEKS)]
    print(f"{number} people, {kind}: {each_week:.1f} answers a week")
    found = said("the first night", dues, capacity)
    dues = later(dues, found, 0)
    found = said("the next night, nothing new", dues, capacity)
    dues = later(dues, found, 1)
    capacity = [*capacity[1:], each_week]
    found = said("the turn of the week", dues, capacity)
    new = [replace(due, id=f"new-{due.id}") for due in people_due(max(1, number // 100), chance)]
    said("one in a hundred more people", [*later(dues, found, 0), *new], capacity)
    begun = time.perf_counter()
    missing = cure(dues, capacity)
    print(
        f"  {'what would cure it':<30} {time.perf_counter() - begun:6.2f} s  {sum(missing.extra.values()):.1f} answers in"
        f" {len(missing.extra)} weeks, or {missing.even:.2f} in every week"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, nargs="*", default=[1_000, 10_000, 100_000])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=sorted(ROOM), nargs="*", default=sorted(ROOM))
    options = parser.parse_args()
    for kind in options.kind:
        for number in options.people:
            measured(number, options.seed, kind)


if __name__ == "__main__":
    main()
