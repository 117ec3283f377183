"""The cache of compiled kernels can't go stale: its folder is named after all their sources."""

from pathlib import Path

import drape
from drape.compiled import KERNEL_FILES, source_hash

ROOT = Path(drape.__file__).parent


def test_every_file_with_kernels_is_hashed():
    found = {
        path.relative_to(ROOT).as_posix()
        for path in ROOT.rglob("*.py")
        if "\n@kernel\n" in path.read_text(encoding="utf-8")
    }
    assert found
    assert found == set(KERNEL_FILES)


def test_a_change_in_any_source_changes_the_folder(tmp_path):
    for name in KERNEL_FILES:
        target = tmp_path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes((ROOT / name).read_bytes())
    before = source_hash(tmp_path)
    assert before == source_hash(ROOT)
    for name in KERNEL_FILES:
        target = tmp_path / name
        kept = target.read_bytes()
        target.write_bytes(kept + b"\n# changed")
        assert source_hash(tmp_path) != before, name
        target.write_bytes(kept)
