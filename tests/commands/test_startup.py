"""Commands load what they need: the others' libraries take seconds to import."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

MESHES = Path(__file__).resolve().parents[2] / "meshes"
DRAWING = {"pyvista", "vtkmodules", "matplotlib", "aiohttp", "reportlab", "ezdxf"}
COMPUTING = {"numba", "scipy", "networkx", "trimesh", "pydantic"}
RUN = """
import json, sys
from drape.cli import main
try:
    code = main(sys.argv[1:])
finally:
    print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})), file=sys.stderr)
sys.exit(code)
"""
COMMANDS = {
    "help": (["--help"], DRAWING | COMPUTING),
    "fabrics": (["fabrics"], DRAWING | COMPUTING),
    "shear": (["shear", "square", "--before", "141.4", "--grown", "183"], DRAWING | COMPUTING),
    "inspect": (
        ["inspect", *(str(MESHES / f"rigger_{h}.stl") for h in ("lower", "upper"))],
        DRAWING,
    ),
}


def loaded(arguments):
    """Names of the packages that a command has imported when it ends."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout
    return set(json.loads(done.stderr.splitlines()[-1]))


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_loads_no_library_it_has_no_use_for(command):
    arguments, others = COMMANDS[command]
    there = loaded(arguments)
    assert "numpy" in there  # the list is one of packages
    assert there & others == set()


def test_new_writes_a_job_without_them(tmp_path):
    job = tmp_path / "part.toml"
    there = loaded(["new", str(MESHES / "rigger_lower.stl"), "-o", str(job)])
    assert job.is_file()
    assert there & (DRAWING | COMPUTING) == set()


def test_pictures_are_drawn_without_what_computes():
    """Each run starts a process for them."""
    code = "import sys, viewers.solid.render; print(*{n.partition('.')[0] for n in sys.modules})"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "pyvista" in done
    assert {"numba", "scipy", "trimesh", "networkx"} & set(done) == set()
