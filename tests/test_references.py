"""Every source named beside a check or a formula stands in references.bib."""

import re
from pathlib import Path

TESTS = Path(__file__).parent
KEY = re.compile(r"\bkeys?\s+((?:``[a-z0-9-]+``(?:,\s+|\s+and\s+)?)+)")


def named():
    """Key → the files that name it."""
    out = {}
    for folder in (TESTS, TESTS.parent / "drape", TESTS.parent / "viewers"):
        for path in folder.rglob("*.py"):
            for group in KEY.findall(path.read_text(encoding="utf-8")):
                for key in re.findall(r"``([a-z0-9-]+)``", group):
                    out.setdefault(key, []).append(path.name)
    return out


def test_every_key_has_its_entry():
    text = (TESTS / "references.bib").read_text(encoding="utf-8")
    entries = re.findall(r"^@\w+\{([^,]+),", text, flags=re.MULTILINE)
    assert len(entries) == len(set(entries))
    keys = named()
    assert len(keys) > 5
    assert {k: v for k, v in keys.items() if k not in entries} == {}
