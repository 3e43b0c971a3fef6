"""Where does an address have to stand on A4 paper, so that the window of an envelope shows it, and nothing else?

An envelope is a little larger than the folded paper, so the paper slides in it. What is printed in `always` is seen
wherever the paper lies; what is printed in `ever` may be seen. The address stands in `always`, and nothing else stands
in `ever`. All lengths are millimetres; places on the paper are counted from its left and upper edges.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

PAPER_WIDTH = 210.0
"""A4 (ISO 216)."""
DIN_FOLD = 105.0
"""Where the first fold is marked. Source: DIN 5008 form B, fold marks at 105 and 210 mm; the same height serves any DL
envelope, which is 110 mm high (ISO 269)."""
THIRD = 99.0
"""A third of A4: how high the paper is when somebody folds it without looking at the marks. It slides further then."""
HALF = 148.5
"""Half of A4 (A5), for C5 envelopes."""
CLEAR = 2.0
"""Blank space between the address and the edge of the window, wherever the paper lies. Source: from memory, and as
others quote the Royal Mail's guidance on window envelopes; that guidance was not at hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A rectangle on the paper."""

    left: float
    top: float
    right: float
    bottom: float

    def holds(self, left: float, top: float) -> bool:
        """Whether a point lies in it."""
        return self.left <= left <= self.right and self.top <= top <= self.bottom


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A window of an envelope, measured on the envelope, and how the paper is folded into it.

    `fold` is the height of the folded paper that the marks ask for, `least_fold` the height when they are overlooked.
    `text_left` and `text_top`, if given, are where a standard lets the address begin on the paper; more lines than fit
    below `text_top` move it up, never down.
    """

    name: str
    envelope: tuple[float, float]
    left: float
    top: float
    width: float
    height: float
    fold: float
    least_fold: float
    text_left: float | None = None
    text_top: float | None = None

    @property
    def always(self) -> Area:
        """What is seen of the paper wherever it lies in the envelope, if it is folded at the marks."""
        aside, down = self.envelope[0] - PAPER_WIDTH, self.envelope[1] - self.fold
        right, bottom = self.left + self.width - aside, self.top + self.height - down
        return Area(left=self.left, top=self.top, right=right, bottom=bottom)

    @property
    def ever(self) -> Area:
        """What may be seen of the paper, however it lies and whether or not the marks were looked at."""
        aside, down = self.envelope[0] - PAPER_WIDTH, self.envelope[1] - self.least_fold
        right, bottom = self.left + self.width, self.top + self.height
        return Area(left=self.left - aside, top=self.top - down, right=right, bottom=bottom)

    @property
    def block(self) -> Area:
        """Where the address stands."""
        seen = self.always
        left = max(seen.left + CLEAR, self.text_left or 0.0)
        return Area(left=left, top=seen.top + CLEAR, right=seen.right - CLEAR, bottom=seen.bottom - CLEAR)

    @property
    def folds(self) -> tuple[float, ...]:
        """Where the paper is folded, from its upper edge."""
        return (self.fold,) if self.fold == HALF else (self.fold, 2 * self.fold)


DEFAULT = "bs-4264-dl"
"""The DL window that is the most common one in the United Kingdom."""

WINDOWS: Mapping[str, Window] = {
    # Window 93 x 39, 20 from the left and 53 from the top of DL (220 x 110, ISO 269), so 18 from the bottom. Source: BS
    # 4264 as others quote it (an openly published catalogue of letter layouts); the standard itself was not at hand.
    # The window that most sellers offer, 90 x 35 at 20 from the left and 18 from the bottom, lies within it; so the
    # address begins 2 below that window's upper edge (57) where its lines allow it (all of this from memory).
    "bs-4264-dl": Window(
        name="bs-4264-dl",
        envelope=(220, 110),
        left=20,
        top=53,
        width=93,
        height=39,
        fold=DIN_FOLD,
        least_fold=THIRD,
        text_top=59,
    ),
    # Address field 85 x 45 at 20 from the left and 45 from the top of the paper; the address itself from 62.7, six
    # lines in 27.3; text from 25. Source: DIN 5008 form B as published summaries give it. Window 90 x 45, 20 from the
    # left and 15 from the bottom of DL. Source: DIN 680, from memory. The field for the sender's line (45 to 62.7)
    # stays blank: the clinic's own name can speak of health.
    "din-5008-b": Window(
        name="din-5008-b",
        envelope=(220, 110),
        left=20,
        top=50,
        width=90,
        height=45,
        fold=DIN_FOLD,
        least_fold=THIRD,
        text_left=25,
        text_top=62.7,
    ),
    # Window 90 x 44, 20 from the left and 60 from the bottom of C5 (229 x 162, ISO 269); A4 folded once. For letters of
    # more sheets than DL takes. Source: a British mailing house's address guide as others quote it; no standard.
    "uk-c5": Window(
        name="uk-c5", envelope=(229, 162), left=20, top=58, width=90, height=44, fold=HALF, least_fold=HALF
    ),
}
