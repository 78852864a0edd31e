"""The JSON Schemas of what feltpad writes, generated from the records themselves and kept here as files.

``measurement.schema.json``    what ``feltpad measure --json`` prints
``qc.schema.json``             what ``data/qc/qc.json`` holds
``bench.schema.json``          what ``feltpad bench --json`` prints
``bench-history.schema.json``  what ``feltpad bench --history DECK --json`` prints

A test holds the files against the records; `write_schemas` renews them.
"""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.bench_history import BenchHistory
from pipeline.bench_record import Bench
from pipeline.files import write_text_whole
from pipeline.measurement import Measurement
from pipeline.qc import TapeQC
from pipeline.records import json_schema

FOLDER = Path(__file__).parent
_RECORDS = {
    "measurement.schema.json": Measurement,
    "qc.schema.json": TapeQC,
    "bench.schema.json": Bench,
    "bench-history.schema.json": BenchHistory,
}


def schema_texts() -> dict[str, str]:
    """Each schema file's name and text, as the records have it now."""
    return {name: json.dumps(json_schema(record), indent=1) + "\n" for name, record in _RECORDS.items()}


def write_schemas(folder: Path = FOLDER) -> tuple[Path, ...]:
    """Renew the files."""
    return tuple(write_text_whole(folder / name, text) for name, text in schema_texts().items())
