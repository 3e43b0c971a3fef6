"""Do our regimens lie within what the named source publishes?"""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from builders import the_pack

from service.domain.pack import Purpose, Regimen

Range = tuple[int, int]


@dataclass(frozen=True)
class Published:
    """What a source says: drops each time, times a day, days."""

    source: str
    drops: Range
    times: Range
    days: Range


# The figure of each source, as published (lowest, highest).
PUBLISHED = {
    # NHS page "Earwax build-up": 2-3 drops, 3-4 times a day, 3-5 days.
    "nhs": Published("nhs-earwax", (2, 3), (3, 4), (3, 5)),
    # NHS Wales encyclopaedia "Earwax": 3 drops once a day, 7 days.
    "wales": Published("nhs-wales-earwax", (3, 3), (1, 1), (7, 7)),
    # BNF for Children: ample amount (no drop count), twice daily, several days.
    "bnfc": Published("bnfc-2011", (1, 10), (2, 2), (3, 7)),
    # English regional pathway: 3-4 times daily, 7-10 days.
    "pathway": Published("regional-pathway", (2, 3), (3, 4), (7, 10)),
    # UK practice leaflets: 1-2 drops nightly up to 2-3 drops 2-3 times a day; 3 days to 4 weeks.
    "leaflets": Published("oil-leaflets", (1, 3), (1, 3), (3, 28)),
    # UK product information, sodium bicarbonate 5%: 3-4 drops twice daily, up to 5 days or up to 7 days.
    "bicarbonate-5": Published("bicarbonate-labels", (3, 4), (2, 2), (1, 5)),
    "bicarbonate-7": Published("bicarbonate-labels", (3, 4), (2, 2), (1, 7)),
    # Scottish health board: twice daily, 3-5 days (drops as on the label).
    "scottish": Published("scottish-wax-guide", (3, 4), (2, 2), (3, 5)),
    # NICE CKS (not read): 3-4 drops, 3-4 times daily, 3-5 days.
    "chloride": Published("cks-earwax", (3, 4), (3, 4), (3, 5)),
    # UK SmPC, urea hydrogen peroxide 5%: up to 5 drops, once or twice daily, at least 3-4 days.
    "peroxide": Published("peroxide-smpc", (1, 5), (1, 2), (3, 4)),
    # US label, carbamide peroxide 6.5%: 5-10 drops twice daily, at most 4 days.
    "carbamide": Published("carbamide-us-label", (5, 10), (2, 2), (1, 4)),
    # UK SmPC, docusate 5%: 4 drops twice daily, 2-3 days.
    "docusate": Published("docusate-smpc", (4, 4), (2, 2), (2, 3)),
    # UK SmPC, arachis oil 57%: 5 drops twice a day, 3 days; the other blend 4 drops night and morning, up to 4 days.
    "arachis": Published("arachis-smpc", (5, 5), (2, 2), (1, 3)),
    "arachis-blend": Published("arachis-blend", (4, 4), (2, 2), (1, 4)),
}

# Regimen -> the published figures that it must lie within.
OURS = {
    "olive-nhs-lower": ("nhs",),
    "olive-nhs-upper": ("nhs",),
    "olive-nhs-wales": ("wales",),
    "olive-twice-daily": ("bnfc",),
    "olive-pathway-7": ("pathway",),
    "olive-long-14": ("leaflets",),
    "almond-nhs-lower": ("nhs",),
    "almond-nhs-upper": ("nhs",),
    "almond-twice-daily": ("bnfc",),
    "bicarbonate-5": ("bicarbonate-5", "scottish"),
    "bicarbonate-3": ("bicarbonate-5", "scottish"),
    "bicarbonate-7": ("bicarbonate-7",),
    "chloride-5": ("chloride",),
    "chloride-3": ("chloride",),
    "peroxide-once": ("peroxide",),
    "peroxide-twice": ("peroxide", "carbamide"),
    "docusate-2": ("docusate",),
    "docusate-3": ("docusate",),
    "arachis-3": ("arachis",),
    "arachis-blend-4": ("arachis-blend",),
}


def softening() -> dict[str, Regimen]:
    return {
        regimen.id: regimen
        for agent in the_pack().agents.values()
        for regimen in agent.regimens.get(Purpose.SOFTEN, ())
    }


def test_every_softening_regimen_is_held_against_a_published_figure() -> None:
    assert softening().keys() == OURS.keys()


@pytest.mark.parametrize(("name", "figure"), [(name, figure) for name, figures in OURS.items() for figure in figures])
def test_a_regimen_lies_within_the_published_range(name: str, figure: str) -> None:
    regimen, published = softening()[name], PUBLISHED[figure]
    assert published.source in regimen.sources
    assert published.drops[0] <= regimen.drops <= published.drops[1]
    assert sum(phase.days for phase in regimen.phases) in range(published.days[0], published.days[1] + 1)
    for phase in regimen.phases:
        assert phase.every == 1
        assert published.times[0] <= len(phase.moments) <= published.times[1]


@pytest.mark.parametrize("agent", list(the_pack().agents))
def test_the_default_before_removal_is_at_most_5_days(agent: str) -> None:
    """NICE NG98, earwax: softener immediately before, or for up to 5 days before irrigation."""
    default = the_pack().agents[agent].regimens[Purpose.SOFTEN][0]
    assert sum(phase.days for phase in default.phases) <= 5


@pytest.mark.parametrize("agent", list(the_pack().agents))
def test_the_default_is_the_gentlest_of_the_shortest(agent: str) -> None:
    """The default puts in no more drops in all than any other regimen of that length or longer."""
    first, *others = the_pack().agents[agent].regimens[Purpose.SOFTEN]

    def total(regimen: Regimen) -> int:
        return sum(regimen.drops * len(phase.moments) * phase.days for phase in regimen.phases)

    def days(regimen: Regimen) -> int:
        return sum(phase.days for phase in regimen.phases)

    daily = [other for other in others if len(other.phases[0].moments) >= len(first.phases[0].moments)]
    assert all(total(first) <= total(other) for other in daily if days(other) >= days(first))


def test_upkeep_is_oil_once_or_about_twice_a_week() -> None:
    """UK practice leaflets: 1-2 drops weekly (commonest), some twice a week. The 26 weeks are our choice."""
    agents = the_pack().agents
    assert {agent.id for agent in agents.values() if Purpose.MAINTAIN in agent.regimens} == {"olive-oil", "almond-oil"}
    for name in ("olive-oil", "almond-oil"):
        weekly, twice = agents[name].regimens[Purpose.MAINTAIN]
        assert (weekly.drops, weekly.phases[0].every, weekly.phases[0].days) == (2, 7, 26 * 7)
        assert (twice.drops, twice.phases[0].every) == (2, 4)


def test_opened_bottles_are_kept_4_weeks_where_a_label_says_so() -> None:
    """Urea hydrogen peroxide SmPC and one sodium bicarbonate label: 4 weeks. Nothing was read for the others."""
    opened = {agent.id: agent.opened_days for agent in the_pack().agents.values() if agent.opened_days is not None}
    assert opened == {"urea-peroxide": 28, "sodium-bicarbonate": 28}
