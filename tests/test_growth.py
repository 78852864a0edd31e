"""Ten, a hundred and four hundred sides: what reading costs grows with their number and not faster.

Files opened are counted, which is exact; processor time is compared generously, since machines are busy. The larger
numbers are in ``tests/benchmarks/growth.py``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from flows.box import jobs_due
from pipeline.archive import Archive
from pipeline.at_a_glance import read_summary, write_summary
from pipeline.box import check_box
from pipeline.finish import read_qc
from pipeline.ledger import Ledger
from pipeline.method import read_all_settings
from pipeline.plan import plan_box
from pipeline.step import Desk
from tests.benchmarks.growth import NOW, Copied, make_archive, make_sheet

pytestmark = pytest.mark.slow

SIDES = (10, 100, 400)
FASTER_THAN_LINEAR = 1.8  # a square would be 4 from 100 to 400 sides

_opened: list[int] = []  # one number while somebody counts; an audit hook cannot be taken out again


def _count(event: str, _: object) -> None:
    if event == "open" and _opened:
        _opened[0] += 1


sys.addaudithook(_count)


@pytest.fixture(scope="module")
def rows(tmp_path_factory) -> dict[int, tuple[Path, Path]]:
    """By number of sides: a box and its archive."""
    folder = tmp_path_factory.mktemp("growth")
    trial = Copied(folder / "trial")
    made = {}
    for sides in SIDES:
        box, root = make_sheet(folder / f"box-{sides}", sides), folder / f"archive-{sides}"
        make_archive(box, root, trial)
        made[sides] = (box, root)
    return made


def check(box: Path, root: Path) -> None:
    assert check_box(box, read_all_settings().method.sheet).problems == ()


def look_through(box: Path, root: Path) -> None:
    archive = Archive(root)
    due = jobs_due(plan_box(box).jobs, Desk(archive, Ledger(archive.state / "ledger")))
    assert due.jobs == []


def glance(box: Path, root: Path) -> None:
    criteria = read_all_settings().report.summary
    summary = read_summary(Archive(root), criteria, NOW)
    index, _, _ = write_summary(Archive(root), summary, criteria)
    assert index.stat().st_size < 3_000_000


def every_record(box: Path, root: Path) -> None:
    archive = Archive(root)
    for tape in archive.tapes():
        read_qc(archive.require(tape))


@pytest.mark.parametrize("work", [check, look_through, glance, every_record])
def test_reading_grows_with_the_number_of_sides_and_not_faster(rows, work: Callable[[Path, Path], None]):
    opened, took_s = {}, {}
    for sides, (box, root) in rows.items():
        work(box, root)  # what is worked out once, and the first look at new files, is not what is measured
        _opened.append(0)
        times = []
        for _ in range(2):
            began_s = time.process_time()
            work(box, root)
            times.append(time.process_time() - began_s)
        opened[sides], took_s[sides] = _opened.pop(), min(times)
    few, some, many = SIDES
    each = (opened[some] - opened[few]) / (some - few)
    assert (opened[many] - opened[some]) / (many - some) == pytest.approx(each, rel=0.02)
    assert took_s[many] / many < FASTER_THAN_LINEAR * took_s[some] / some


def test_a_summary_of_5000_sides_stays_below_3_mb(rows, tmp_path):
    from dataclasses import replace

    criteria = read_all_settings().report.summary
    summary = read_summary(Archive(rows[100][1]), criteria, NOW)
    sides = tuple(
        replace(side, tape=f"{side.tape}-{turn}", report=f"{side.tape}-{turn}/data/qc/report.html")
        for turn in range(50)
        for side in summary.sides
    )
    index, _, _ = write_summary(Archive(tmp_path), replace(summary, sides=sides), criteria)
    assert len(sides) == 5000
    assert index.stat().st_size < 3_000_000
