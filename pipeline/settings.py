"""Read ``config/*.toml`` into the frozen records that carry the numbers we chose.

A number we chose lives once, in a config file; the dataclass that carries it has no default, so the two cannot
disagree. A key the code does not know is refused like one that is missing: it would be a setting without effect.
"""

from __future__ import annotations

import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from pipeline.errors import SettingsError
from pipeline.records import field_types, validated

Settings = TypeVar("Settings")


def shipped(folder: str) -> Path:
    """Where ``config`` or ``sample_inputs`` stands: inside an installed package, or at the top of a checkout."""
    installed = Path(__file__).parent / "_shipped" / folder
    return installed if installed.is_dir() else Path(__file__).parent.parent / folder


def read_settings(settings_type: type[Settings], path: Path) -> Settings:
    """The settings in a TOML file, as a frozen record. Raises SettingsError with the file and the key."""
    try:
        table = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as exc:
        raise SettingsError(f"{path}: cannot be read ({exc.strerror})") from exc
    except UnicodeDecodeError as exc:
        raise SettingsError(f"{path}: not UTF-8 text (byte {exc.start}); saved as ANSI? save it as UTF-8") from exc
    except tomllib.TOMLDecodeError as exc:
        raise SettingsError(f"{path}: not valid TOML ({exc})") from exc
    return settings_from(settings_type, table, str(path))


def settings_from(settings_type: type[Settings], table: dict[str, Any], place: str) -> Settings:
    """The same for a table already read; ``place`` names it in the error."""
    problems = [f"{place}: {problem}" for problem in _key_problems(settings_type, table, "")]
    if problems:
        raise SettingsError("\n".join(problems))
    try:
        return validated(settings_type, table)
    except ValidationError as exc:
        lines = [f"{place}: {'.'.join(map(str, e['loc']))}: {e['msg']}, found {e['input']!r}" for e in exc.errors()]
        raise SettingsError("\n".join(lines)) from exc


def _key_problems(settings_type: Any, table: dict[str, Any], prefix: str) -> list[str]:
    types = field_types(settings_type)
    known = [f.name for f in fields(settings_type)]
    problems = [f"{prefix}{name}: missing" for name in known if name not in table]
    problems += [
        f"{prefix}{name}: no such setting; known here: {', '.join(known)}" for name in table if name not in known
    ]
    for name in known:
        if name in table and is_dataclass(types[name]) and isinstance(table[name], dict):
            problems += _key_problems(types[name], table[name], f"{prefix}{name}.")
    return problems
