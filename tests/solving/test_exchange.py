"""What is left after all exchanges is no dearer than before, and no single move or exchange of two makes it cheaper."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest

from service.solving.exchange import Ints, Places, exchanged


def some(chance: random.Random) -> tuple[Places, Ints]:
    groups, weeks = 6, 4
    price = np.array([[chance.choice([0.0, 1.0, 2.0, 5.0, 9.0]) for _ in range(weeks)] for _ in range(groups)])
    price[np.arange(weeks), np.arange(weeks)] = np.inf
    answer = np.array([chance.choice([0.0, 0.3, 0.45, 0.8]) for _ in range(groups)])
    room = np.array([chance.choice([-0.5, 0.0, 0.7, 1.5]) for _ in range(weeks)])
    counts = np.zeros(price.shape, dtype=np.int64)
    for group in range(groups):
        for _ in range(chance.randrange(4)):
            counts[group, chance.choice(np.flatnonzero(np.isfinite(price[group])).tolist())] += 1
    return Places(price=price, answer=answer, room=room, over=20.0), counts


def one_changed(places: Places, counts: Ints) -> list[Ints]:
    """Everything that differs from it by one person's move."""
    found = []
    for group, week in zip(*np.nonzero(counts), strict=True):
        for other in np.flatnonzero(np.isfinite(places.price[group])):
            changed = counts.copy()
            changed[group, week] -= 1
            changed[group, other] += 1
            found.append(changed)
    return found


def weeks_of(change: Ints) -> frozenset[tuple[int, int]]:
    """Each move of a change as from and to."""
    return frozenset((int(row.argmin()), int(row.argmax())) for row in change if row.any())


@pytest.mark.parametrize("seed", range(30))
def test_no_move_and_no_exchange_is_left_that_saves(seed: int) -> None:
    chance = random.Random(seed)
    places, counts = some(chance)
    worth = np.array([chance.uniform(0.0, 5.0) for _ in range(4)])
    before = counts.copy()
    found = exchanged(places, counts, worth)
    assert (counts == before).all()
    assert (found.sum(axis=1) == counts.sum(axis=1)).all() and (found >= 0).all()
    assert not found[np.isinf(places.price)].any()
    total = places.total(found)
    assert total <= places.total(counts)
    moves = [changed - found for changed in one_changed(places, found)]
    assert all(places.total(found + move) >= total - 1e-6 for move in moves)
    for there, back in itertools.combinations(moves, 2):
        ways = [weeks_of(there), weeks_of(back)]
        if all(len(way) == 1 for way in ways) and ways[1] == {(end, begin) for begin, end in ways[0]}:
            both = found + there + back
            assert (both < 0).any() or places.total(both) >= total - 1e-6


def test_more_answer_chances_than_are_told_apart_are_still_placed() -> None:
    chance = random.Random(1)
    answer = np.array([chance.random() for _ in range(60)])
    places = Places(price=np.tile(np.arange(5.0), (60, 1)), answer=answer, room=np.full(5, 6.5), over=100.0)
    counts = np.zeros((60, 5), dtype=np.int64)
    counts[:, 0] = 1
    found = exchanged(places, counts, np.zeros(5))
    assert places.total(found) < places.total(counts) / 10
    assert (answer @ found <= 6.5 + 1e-9).all()
