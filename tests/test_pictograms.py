from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from builders import PICTURES

from service.errors import NotFoundError
from service.pictograms import FALLBACK, names, path_of, svg

SVG = "{http://www.w3.org/2000/svg}"
LARGEST = 3 * 1024  # bytes: a page with a dozen pictures inlined still opens quickly on a slow phone
DRAWING = {f"{SVG}{tag}" for tag in ("svg", "title", "g", "path", "circle", "ellipse", "rect")}
COLOURS = {"none", "#2b2a26", "#6b7a2a", "#a33a2a", "#fff"}
RING = '<circle cx="48" cy="48" r="43" stroke="#a33a2a" stroke-width="5"/>'
BAR = '<path d="M17.6 17.6L78.4 78.4" stroke="#a33a2a" stroke-width="5"/>'
EAR = "M56 31C60 12 45 2 29 2C12 2 4 15 6 30"

WANTED = PICTURES | {"info"}
FORBIDDING = frozenset(
    {
        "no-swimming",
        "no-cotton-buds",
        "nothing-in-ear",
        "no-drops",
        "no-nose-blowing",
        "no-plug",
    }
)
WITH_AN_EAR = frozenset(
    [
        "drops-in",
        "lie-on-side",
        "massage-tragus",
        "keep-dry",
        "no-cotton-buds",
        "nothing-in-ear",
        "no-drops",
        "hearing-aid-out",
        "hearing-aid-in",
        "no-plug",
        "plug",
        "hair-dryer-low",
        "hearing-drop",
        "bleeding",
        "discharge",
        "pain",
        "swelling",
        "ringing",
        "rash",
        "foreign-body",
        "blocked",
        "itch",
        "bad-smell",
        "examine",
    ]
)

every_picture = pytest.mark.parametrize("name", sorted(WANTED))


def test_every_picture_that_a_plan_may_ask_for_is_drawn_and_none_is_left_over() -> None:
    assert names() == WANTED


def test_the_fallback_is_one_of_the_pictures() -> None:
    assert FALLBACK in names()


@every_picture
def test_a_picture_is_a_square_svg_with_a_title_of_plain_words(name: str) -> None:
    root = ElementTree.fromstring(svg(name))
    assert root.tag == f"{SVG}svg"
    assert root.get("viewBox") == "0 0 96 96"
    title = root.findtext(f"{SVG}title") or ""
    assert re.fullmatch(r"[A-Z][A-Za-z ,:]{3,}", title), title


@every_picture
def test_a_picture_holds_shapes_only_so_that_browser_and_sheet_show_the_same(
    name: str,
) -> None:
    root = ElementTree.fromstring(svg(name))
    assert {element.tag for element in root.iter()} <= DRAWING  # no text, script, style, image, gradient or filter
    for element in root.iter():
        for attribute, value in element.attrib.items():
            assert not attribute.endswith("href"), f"{name} points outside itself"
            assert attribute not in {
                "style",
                "class",
                "id",
            } and not attribute.startswith("on")
            assert "url(" not in value


@every_picture
def test_a_picture_keeps_to_the_colours_of_the_family(name: str) -> None:
    root = ElementTree.fromstring(svg(name))
    used = {element.get(paint) for element in root.iter() for paint in ("fill", "stroke")} - {None}
    assert used <= COLOURS


@every_picture
def test_a_picture_is_under_three_kilobytes(name: str) -> None:
    assert path_of(name).stat().st_size < LARGEST


@every_picture
def test_the_red_ring_and_bar_mean_do_not_and_nothing_else(name: str) -> None:
    text = svg(name)
    assert (RING in text and BAR in text) == (name in FORBIDDING)
    assert text.count("#a33a2a") == (2 if name in FORBIDDING else 0)


@every_picture
def test_the_ring_and_bar_are_drawn_last_so_that_they_lie_over_the_object(
    name: str,
) -> None:
    shapes = list(ElementTree.fromstring(svg(name)))
    last_is_red = any(shape.get("stroke") == "#a33a2a" for shape in shapes[-1].iter())
    assert last_is_red == (name in FORBIDDING)


@pytest.mark.parametrize("name", sorted(WITH_AN_EAR))
def test_every_ear_is_the_same_ear(name: str) -> None:
    assert EAR in svg(name)


@every_picture
def test_a_picture_can_stand_in_a_page_as_it_is(name: str) -> None:
    assert svg(name).startswith("<svg ")
    assert svg(name).endswith("</svg>")


@pytest.mark.parametrize("name", ["", "no-such-picture", "../errors", "info.svg", "INFO"])
def test_an_unknown_name_is_refused_in_one_clear_sentence(name: str) -> None:
    with pytest.raises(NotFoundError, match="there is no picture called"):
        path_of(name)
    with pytest.raises(NotFoundError):
        svg(name)
