"""The wheel holds everything: content, catalogs, templates, pictures. Otherwise this breaks at the first release."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VISIT = '{"visit": {"on": "2026-11-25", "right": {"findings": ["wax-left"]}}}'


def test_the_command_works_from_an_unpacked_wheel(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True, timeout=120)
    (wheel,) = tmp_path.glob("*.whl")
    place = tmp_path / "unpacked"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(place)
    visit = tmp_path / "visit.json"
    visit.write_text(VISIT)
    found = subprocess.run(
        [sys.executable, "-m", "service", "plan", str(visit), "--as", "html"],
        cwd=place,
        check=True,
        capture_output=True,
        timeout=120,
        env={"PYTHONPATH": str(place), "PATH": ""},
    )
    assert b"RIGHT ear" in found.stdout
    assert b"<svg" in found.stdout
    assert (place / "service" / "_data" / "locales" / "wording.pot").exists()
    assert (place / "service" / "web" / "static" / "base.css").exists()
    assert (place / "service" / "storage" / "migrations" / "versions").is_dir()
