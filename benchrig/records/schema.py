"""The JSON Schema of ``result.json``, generated from its model. The published copy beside this
file, ``result.schema.json``, is written by ``python -m benchrig.records.schema``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from benchrig.files import write_atomically
from benchrig.result import SessionResult

PUBLISHED = Path(__file__).with_name("result.schema.json")


def result_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12."""
    schema = SessionResult.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


if __name__ == "__main__":
    write_atomically(PUBLISHED, json.dumps(result_schema(), indent=2) + "\n")
