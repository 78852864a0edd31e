"""Every setting, from ``config/*.toml``: how we measure, what we write, what we hold it against, how we show it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.acceptance import Acceptance
from pipeline.channels import ChannelCriteria
from pipeline.copies.settings import CopySettings
from pipeline.demodulate import DemodulationCriteria
from pipeline.errors import SettingsError
from pipeline.events import EventCriteria
from pipeline.flutter import FlutterCriteria
from pipeline.hum import HumCriteria
from pipeline.parts import PartCriteria
from pipeline.print_through import PrintCriteria
from pipeline.records import REASONS, to_plain
from pipeline.regions import RegionCriteria
from pipeline.report.criteria import ReportCriteria
from pipeline.sags import SagCriteria
from pipeline.settings import read_settings, settings_from, shipped
from pipeline.sheet import SheetCriteria
from pipeline.speed import SpeedCriteria
from pipeline.tone import ToneCriteria
from pipeline.treble import TrebleCriteria
from pipeline.tuning import TuningCriteria


@dataclass(frozen=True)
class Method:
    """``config/method.toml``. block_s: captures are read in blocks of this many seconds."""

    block_s: float
    sheet: SheetCriteria
    regions: RegionCriteria
    tone: ToneCriteria
    demodulation: DemodulationCriteria
    speed: SpeedCriteria
    tuning: TuningCriteria
    flutter: FlutterCriteria
    parts: PartCriteria
    channels: ChannelCriteria
    hum: HumCriteria
    events: EventCriteria
    treble: TrebleCriteria
    sags: SagCriteria
    print_through: PrintCriteria


@dataclass(frozen=True)
class Settings:
    """All four files."""

    method: Method
    copies: CopySettings
    acceptance: Acceptance
    report: ReportCriteria


def read_all_settings(folder: Path | None = None, copies_overrides: dict[str, Any] | None = None) -> Settings:
    """The settings in a folder (feltpad's own where none is named), with a box's overrides of ``copies.toml``.

    Raises SettingsError with the file, the key and what is wrong with it.
    """
    folder = shipped("config") if folder is None else folder
    copies_path = folder / "copies.toml"
    read_settings(CopySettings, copies_path)  # the file by itself must be right before it is overridden
    table = tomllib.loads(copies_path.read_text("utf-8"))
    place = str(copies_path)
    if copies_overrides:
        _override(table, copies_overrides, "box.toml, [copies]")
        place = "box.toml, table [copies]"
    return Settings(
        read_settings(Method, folder / "method.toml"),
        settings_from(CopySettings, table, place),
        read_settings(Acceptance, folder / "acceptance.toml"),
        read_settings(ReportCriteria, folder / "report.toml"),
    )


def settings_of_record(recorded: dict[str, Any]) -> Settings:
    """Settings as a tape's own record has them; what a later feltpad added since is as that feltpad ships it.

    Settings that no longer exist are left out. Raises SettingsError when a value does not fit.
    """
    return settings_from(Settings, _as_far_as_known(_as_shipped(), recorded), "the tape's own settings")


@cache
def _as_shipped() -> dict[str, Any]:
    """Read once: an archive asks for every one of its tapes."""
    current = to_plain(read_all_settings())
    del current[REASONS]
    return current


def _as_far_as_known(current: dict[str, Any], recorded: dict[str, Any]) -> dict[str, Any]:
    return {
        name: _as_far_as_known(value, recorded[name])
        if isinstance(value, dict) and isinstance(recorded.get(name), dict)
        else recorded.get(name, value)
        for name, value in current.items()
    }


def _override(table: dict[str, Any], overrides: dict[str, Any], place: str) -> None:
    for name, value in overrides.items():
        if name not in table:
            raise SettingsError(f"{place}: no such setting: {name}; known here: {', '.join(table)}")
        if isinstance(value, dict) and isinstance(table[name], dict):
            _override(table[name], value, f"{place}, {name}")
        elif isinstance(value, dict) or isinstance(table[name], dict):
            raise SettingsError(f"{place}: {name} must be {'a table' if isinstance(table[name], dict) else 'a value'}")
        else:
            table[name] = value
