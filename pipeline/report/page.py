"""``report.html``: one tape, one self-contained file. It asks nothing of a network and runs no script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jinja2
from markupsafe import Markup

from pipeline.qc import Finding, Severity
from pipeline.records import NotMeasured
from pipeline.report import tables, words
from pipeline.report.contents import SidePage, TapePage, Words
from pipeline.report.criteria import PageCriteria
from pipeline.report.excerpts import Excerpt, Listening, place_of
from pipeline.report.findings import FindingGroup, group_findings
from pipeline.report.pictures import data_uri
from pipeline.report.timeline import Timeline, draw_timeline

_TEMPLATES = Path(__file__).parent / "templates"
_PLACES = ("head", "middle", "tail")


@dataclass(frozen=True)
class Player:
    """One place to listen, as the page embeds it. ``fits`` is False where the page would have grown too large."""

    id: str
    name: str
    where: str
    before: str
    after: str
    picture: str
    fits: bool


@dataclass(frozen=True)
class FindingLine:
    """One shown finding. ``player`` is played here; ``heard_in`` names a player that stands further up."""

    finding: Finding
    where: str
    measured: str
    player: Player | None
    heard_in: Player | None


@dataclass(frozen=True)
class GroupView:
    id: str
    group: FindingGroup
    sign: str
    lines: tuple[FindingLine, ...]
    rest: int


@dataclass(frozen=True)
class Reason:
    """One line under the verdict, and the group it leads to."""

    side: str
    text: str
    severity: Severity
    sign: str
    target: str


@dataclass(frozen=True)
class SideView:
    id: str
    side: SidePage
    timeline: Timeline
    places: tuple[Player, ...]
    groups: tuple[GroupView, ...]
    speed: tuple[tables.Table, ...]
    proves: tuple[str, str]
    measured: tuple[tables.Table, ...]
    decisions: tables.Table
    files: tuple[tables.Table, ...]
    commands: tuple[tuple[str, str], ...]


def write_report(page: TapePage, path: Path, criteria: PageCriteria) -> Path:
    """Write the tape's page; returns ``path``. The same records give the same bytes."""
    room = _Room(criteria.sound_bytes_most)
    sides = tuple(_side_view(f"s{n}", side, page, criteria, room) for n, side in enumerate(page.sides, 1))
    reasons = [reason for view in sides for reason in _reasons(view)]
    reasons.sort(key=lambda reason: list(words.SEVERITY_SIGNS).index(reason.severity))
    html = render(
        "report.html.j2",
        {
            "page": page,
            "verdict": words.VERDICT_WORDS[page.verdict],
            "sides": sides,
            "reasons": reasons[: criteria.reasons_most],
            "more_reasons": max(0, len(reasons) - criteria.reasons_most),
            "verdict_words": words.VERDICT_WORDS,
            "verdict_signs": words.VERDICT_SIGNS,
            "provenance": [(heading, _words_table(heading, rows)) for heading, rows in page.provenance.items()],
        },
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(html, encoding="utf-8")
    return path


def render(template: str, values: Mapping[str, object], script: str = "", more_style: str = "") -> str:
    """A page from a template, everything escaped; the policy in its head allows our own style and script, no more.

    more_style  name of a style sheet that this page needs beside the common one
    """
    sheets = ["style.css", more_style] if more_style else ["style.css"]
    style = "\n".join((_TEMPLATES / sheet).read_text(encoding="utf-8") for sheet in sheets)
    policy = (
        f"default-src 'none'; img-src data:; media-src data:; style-src '{source_hash(style)}'; "
        + (f"script-src '{source_hash(script)}'; " if script else "")
        + "base-uri 'none'; form-action 'none'"
    )
    own = {"style": Markup(style), "script": Markup(script), "policy": policy}  # both are files of ours
    return _environment().get_template(template).render(**values, **own)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["with_code"] = words.with_code
    environment.tests["not_measured"] = lambda value: isinstance(value, NotMeasured)
    return environment


class _Room:
    """How much sound the page still takes."""

    def __init__(self, bytes_most: int) -> None:
        self._left = bytes_most

    def takes(self, size: int) -> bool:
        if size > self._left:
            return False
        self._left -= size
        return True


def _side_view(stem: str, side: SidePage, page: TapePage, criteria: PageCriteria, room: _Room) -> SideView:
    qc = side.qc
    players = [_player(f"{stem}-listen-{n}", heard, room) for n, heard in enumerate(side.listening, 1)]
    return SideView(
        id=stem,
        side=side,
        timeline=draw_timeline(side, criteria),
        places=tuple(player for player in players if player.name in _PLACES),
        groups=_group_views(stem, side, players, criteria),
        speed=_filled(tables.speed_table(side), tables.tones_table(qc)),
        proves=words.proves(qc.decisions.speed.source),
        measured=_filled(
            tables.levels_table(qc),
            tables.flutter_table(qc),
            tables.components_table(qc),
            tables.channels_table(qc),
            tables.hum_table(qc),
            tables.regions_table(qc, criteria.regions_most),
        ),
        decisions=tables.decisions_table(qc),
        files=(tables.capture_table(qc), tables.copies_table(qc)),
        commands=words.rerun_commands(page.archive, page.tape, qc),
    )


def _filled(*candidates: tables.Table) -> tuple[tables.Table, ...]:
    return tuple(table for table in candidates if table.rows)


def _player(stem: str, heard: Listening, room: _Room) -> Player:
    place = heard.place
    uris = [_sound_uri(heard.before), _sound_uri(heard.after), data_uri(heard.picture, "image/png")]
    fits = room.takes(sum(map(len, uris)))
    before, after, picture = uris if fits else ("", "", "")
    where = words.span(place.start_s, place.stop_s)
    return Player(stem, place.name, where, before, after, picture, fits)


def _sound_uri(excerpt: Excerpt | None) -> str:
    return data_uri(excerpt.audio, excerpt.mime.replace(" ", "")) if excerpt else ""


def _group_views(stem: str, side: SidePage, players: list[Player], criteria: PageCriteria) -> tuple[GroupView, ...]:
    by_place = {heard.place: player for heard, player in zip(side.listening, players, strict=True)}
    used = {player.id for player in players if player.name in _PLACES}
    views = []
    for number, group in enumerate(group_findings(side.qc.findings), 1):
        shown = group.findings[: criteria.worst_per_kind]
        lines = []
        for finding in shown:
            place = place_of(finding, list(by_place))
            player = by_place[place] if place else None
            first = player is not None and player.id not in used
            if player:
                used.add(player.id)
            lines.append(_finding_line(finding, player, first))
        rest = len(group.findings) - len(shown)
        views.append(
            GroupView(f"{stem}-kind-{number}", group, words.SEVERITY_SIGNS[group.severity], tuple(lines), rest)
        )
    return tuple(views)


def _finding_line(finding: Finding, player: Player | None, first: bool) -> FindingLine:
    return FindingLine(
        finding=finding,
        where=words.span(finding.start_s, finding.stop_s),
        measured=words.beside_limit(finding),
        player=player if first else None,
        heard_in=None if first else player,
    )


def _reasons(view: SideView) -> Iterable[Reason]:
    for shown in view.groups:
        if shown.group.severity is Severity.INFO:
            continue
        count = sum(finding.counts_as is not Severity.INFO for finding in shown.group.findings)
        worst = shown.group.findings[0].message
        text = worst if count == 1 else f"{shown.group.title}, {count} times. The worst: {worst}"
        yield Reason(view.side.qc.side, text, shown.group.severity, shown.sign, shown.id)


def _words_table(caption: str, rows: Words) -> tables.Table:
    return tables.Table(caption, ("What", "Says"), tuple(rows.items()))


def source_hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
