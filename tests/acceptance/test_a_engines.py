"""A1 to A3: many processes on one database, the tick that one of them holds, and an outage over the due time."""

from __future__ import annotations

from pathlib import Path

from acceptance.running import a_site, wait_until, with_messages


def test_a1_smoke(tmp_path: Path, database_url: str) -> None:
    with a_site(tmp_path, database_url) as site:
        ids = with_messages(site, 1000)
        site.start("serve")
        if site.engine_name == "procrastinate":
            site.start("work")
        wait_until(site.settled, "all sent")
        assert site.states == {"sent": 1000}, (site.states, site.logs[-3000:])
        assert site.far.taken == dict.fromkeys(ids, 1)
