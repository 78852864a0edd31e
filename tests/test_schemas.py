"""The schemas in the repo are those of the records, and are schemas. Real output is held against them elsewhere
(test_making, test_cli).

To renew them after a record has changed: python -c "from pipeline.schemas import write_schemas; write_schemas()"
"""

from __future__ import annotations

import json

import jsonschema
import pytest

from pipeline.schemas import FOLDER, schema_texts


@pytest.mark.parametrize("name", schema_texts())
def test_the_schema_file_is_that_of_the_record(name):
    assert (FOLDER / name).read_text("utf-8") == schema_texts()[name], "renew the schemas: see the head of this file"


@pytest.mark.parametrize("name", schema_texts())
def test_it_is_a_valid_schema(name):
    jsonschema.Draft202012Validator.check_schema(json.loads((FOLDER / name).read_text("utf-8")))
