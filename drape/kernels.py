"""All kernels as one: joined, compiled, tried out and put in their place.

``python -m drape.kernels make joined FOLDER`` makes this machine's code (``compiling.machine`` has
it run); ``python -m drape.kernels join`` writes the joined code that ships, ``kernels.joined``,
after kernels have changed. What ships is used as long as the sources are the ones it was made
from. Else the front end runs here, for those kernels alone that changed, in one more process:
numba changes what a process has of LLVM, and machine code has to be made and tried out as it will
be used, without.
"""

from __future__ import annotations

import contextlib
import lzma
import sys
import time
from collections.abc import Callable
from pathlib import Path

import llvmlite

from drape import selftest
from drape.compiling import llvm, machine, store
from drape.compiling.kernel import KERNELS
from drape.compiling.sources import ROOT, import_kernels, sources_digest

JOINED = ROOT / "kernels.joined"
HEAD = b"plywright joined kernels 1\n"
FRONT = "front-*.bin"
TRANSLATING = "translating changed kernels, once (all of them: about 15 s)"
COMPILING = "compiling kernels, once on this machine (about 4 s)"


def joined_file() -> bytes | None:
    """The bitcode that ships, if it was made from these sources and LLVM can read it."""
    try:
        return unpacked(JOINED.read_bytes())
    except (OSError, lzma.LZMAError):
        return None


def unpacked(data: bytes) -> bytes | None:
    """The bitcode in such a file's bytes, as ``joined_file``."""
    head, _, rest = data.removeprefix(HEAD).partition(b"\n")
    words = head.decode("ascii", "replace").split()
    if not data.startswith(HEAD) or len(words) != 3 or words[0] != sources_digest():
        return None
    if llvm.llvm.llvm_version_info[0] < int(words[1]):  # newer ones read older code
        return None
    return lzma.decompress(rest)


def joined_data(
    folder: Path, told: Callable[[str, int, int], None] | None = None, preset: int = 9
) -> bytes:
    """What the file that ships should hold; ``folder`` and ``told`` as in ``front_end``."""
    module = llvm.join(front_end(folder, told))
    llvm.optimise(module, any_processor=True)
    code = module.as_bitcode()
    words = (sources_digest(), str(llvm.llvm.llvm_version_info[0]), llvmlite.__version__)
    return HEAD + " ".join(words).encode() + b"\n" + lzma.compress(code, preset=preset)


def front_end(
    folder: Path, told: Callable[[str, int, int], None] | None = None
) -> list[bytes | str]:
    """Bitcode of every kernel and wrapper; from ``folder`` where nothing of one has changed.

    ``told`` is told how far it is.
    """
    # numba is slow to import, and only needed where the joined code doesn't fit
    from drape.compiling.frontend import FrontEnd

    import_kernels()
    front = FrontEnd(KERNELS)
    out: list[bytes | str] = []
    for count, kernel in enumerate(KERNELS[name] for name in sorted(KERNELS)):
        if told is not None:
            told(TRANSLATING, count, len(KERNELS))
        key = front.key(kernel)
        file = folder / f"front-{key.hex()[:24]}.bin"
        code = store.read(file, key)
        if code is None:
            text = front.lowered(kernel)
            module = llvm.parsed(text)
            if kernel.writes is not None:
                module.link_in(llvm.parsed(front.wrapper(kernel)))
            code = module.as_bitcode()
            with contextlib.suppress(OSError):  # it spares time, no more
                store.write(file, key, code)
        out.append(code)
    store.prune(folder, FRONT, 4 * len(KERNELS))
    return out


def translated(folder: Path) -> bytes:
    """Joined code from the sources, made in a process of its own."""
    file = folder / f"joined-{sources_digest()[:16]}.tmp"
    try:
        machine.listener = say
        machine.run_kernels(["translate", str(folder), str(file)], time.monotonic() + machine.LIMIT)
        code = unpacked(file.read_bytes())
    finally:
        file.unlink(missing_ok=True)
    if code is None:
        raise RuntimeError("the front end gave no code")
    return code


def make(what: str, folder: Path) -> None:
    """Make this machine's code, try it out, and put it in its place in ``folder``.

    From what ships (``joined``) where that fits, else from the ``sources``.
    """
    wanted = machine.key()
    code = joined_file() if what == "joined" else None
    module = llvm.parsed(translated(folder) if code is None else code)
    say(COMPILING, 0, 3)
    llvm.optimise(module)
    llvm.check_externals(module)
    say(COMPILING, 1, 3)
    contents = llvm.emitted(module)
    say(COMPILING, 2, 3)
    machine.adopt(contents)
    selftest.check()
    store.write(machine.place(folder, wanted), wanted, contents)
    store.prune(folder, machine.PATTERN)
    say(COMPILING, 3, 3)


def say(what: str, done: int, total: int) -> None:
    """How far it is, for ``compiling.machine``."""
    sys.stdout.write(f"{done}\t{total}\t{what}\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> int:
    """Run one of the commands."""
    match arguments:
        case ["make", ("joined" | "sources") as what, folder]:
            make(what, Path(folder))
        case ["translate", folder, file]:
            Path(file).write_bytes(joined_data(Path(folder), say, preset=0))
        case ["join"]:
            with store.some_folder() as place:
                JOINED.write_bytes(joined_data(place))
        case _:
            sys.stderr.write("python -m drape.kernels join | make joined|sources FOLDER\n")
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
