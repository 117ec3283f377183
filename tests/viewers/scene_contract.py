"""Holds packed scenes, and plies of them, against the committed schema."""

import json

from jsonschema import Draft202012Validator

from viewers.scene.schema import SCHEMA_FILE

SCHEMA = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
SCENES = Draft202012Validator(SCHEMA)
PLIES = Draft202012Validator({**SCHEMA["properties"]["plies"]["items"], "$defs": SCHEMA["$defs"]})
