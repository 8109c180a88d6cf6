#!/usr/bin/env python3
"""Make Evenbench's own environment once, then run it: only Python itself is needed beforehand.

    python3 start.py demo [...]     the demo study; any other evenbench command goes the same way
    python3 start.py test [...]     every check the project has; further words go to pytest
    python3 start.py lock [...]     make requirements/*.txt anew from pyproject.toml; further words go to uv

The environment lies in .venv and is made from the hashed lists in requirements/, by uv where that is on the
path and by venv and pip otherwise. A later call finds it ready. To start afresh, delete .venv.
"""

# This file must parse on Pythons older than Evenbench needs, or they could not say that they are too old.
import contextlib
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

NEEDS = (3, 11)
ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
STAMP = VENV / "evenbench-made-from"
UNFINISHED = "unfinished"
CHECKS = (
    ("ruff", "check", "--quiet", "."),
    ("ruff", "format", "--quiet", "--check", "."),
    ("mypy", "--no-error-summary"),
    ("lint-imports", "--no-logo"),
    ("pytest", "-n", "auto"),
)
GROUPS = {"dev": ("dev",), "run": ("build", "--constraints", "requirements/dev.txt")}
# What pip and uv say when a name can't be looked up or a connection can't be made.
NO_NETWORK = (
    "name resolution",
    "nodename nor servname",
    "getaddrinfo failed",
    "establish a new connection",
    "dns error",
    "error sending request",
    "Network is unreachable",
)


def too_old(version: "tuple[int, ...]") -> str:
    """What to tell somebody whose Python is too old; empty where it is new enough."""
    if tuple(version[:2]) >= NEEDS:
        return ""
    return (
        f"Evenbench needs Python {NEEDS[0]}.{NEEDS[1]} or newer; this is Python {version[0]}.{version[1]}.\n"
        "Where a newer one is installed, call it by its name, for example: python3.12 start.py demo"
    )


def lacks_venv() -> str:
    """What to tell somebody whose Python comes without venv, as Debian's does; empty where it is there."""
    if all(importlib.util.find_spec(name) for name in ("venv", "ensurepip")):
        return ""
    package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    return (
        "This Python comes without its venv module, which Evenbench's environment is made with.\n"
        f"On Debian or Ubuntu: sudo apt install python3-venv (or {package}). Then run the same command again."
    )


def find_uv() -> "str | None":
    """Where uv is, if it answers: a version manager can leave a name on the path with nothing behind it."""
    uv = shutil.which("uv")
    answers = uv and subprocess.run([uv, "--version"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
    return uv if answers and answers.returncode == 0 else None


def script(name: str, platform: str = os.name) -> Path:
    """Where the environment keeps the command `name`."""
    return VENV / "Scripts" / f"{name}.exe" if platform == "nt" else VENV / "bin" / name


def stamp_of(kind: str) -> str:
    """What a finished environment's stamp says: its kind, its Python, a digest of what it was made from."""
    made_from = [ROOT / "requirements" / f"{kind}.txt", ROOT / "pyproject.toml"]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in made_from)).hexdigest()
    return f"{kind} {sys.version_info[0]}.{sys.version_info[1]} {digest}"


def stamp() -> str:
    """What the environment's stamp says now; empty where there is none."""
    return STAMP.read_text(encoding="utf-8") if STAMP.exists() else ""


def ready(kind: str) -> bool:
    """Whether the environment serves `kind`; one made for development serves everything."""
    return stamp() in (stamp_of(kind), stamp_of("dev")) and script("python").exists()


def usable() -> bool:
    """Whether .venv can be built on: no install broken off in it, and the Python that runs this file."""
    if stamp() == UNFINISHED or not script("python").exists():
        return False
    asked = [str(script("python")), "-c", "import sys; print(*sys.version_info[:2])"]
    said = subprocess.run(asked, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False).stdout
    return said.split() == [str(part).encode() for part in sys.version_info[:2]]


def failure(command: "tuple[str, ...]", noise: str) -> str:
    """What to tell somebody when a command of the set-up failed and said `noise`."""
    if any(words in noise for words in NO_NETWORK):
        return (
            "The packages that Evenbench needs could not be fetched: the package index can't be reached.\n"
            "Connect this machine to the network, then run the same command again. The last words were:\n  "
            + noise.splitlines()[-1][:300]
        )
    return f"{noise}\n\nThe set-up stopped at: {' '.join(command)}\nThe same command run again starts afresh."


def quietly(*command: str) -> None:
    """Run a command of the set-up, whose own words matter only if it fails."""
    done = subprocess.run(
        command,
        cwd=str(ROOT),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    if done.returncode != 0:
        sys.exit(failure(command, done.stdout.decode(errors="replace").strip()))


def install(kind: str) -> None:
    """Make the environment of `kind`, or bring it up to date, with Evenbench itself in it."""
    uv = find_uv()
    complaint = "" if uv else lacks_venv()
    if complaint:
        sys.exit(complaint)
    kind = "dev" if stamp().startswith("dev ") else kind
    requirements = f"requirements/{kind}.txt"
    print(f"Preparing .venv from {requirements}: a minute or so the first time.", file=sys.stderr, flush=True)
    fresh = not usable()
    if fresh and VENV.exists():
        shutil.rmtree(str(VENV))
    VENV.mkdir(exist_ok=True)
    STAMP.write_text(UNFINISHED, encoding="utf-8")
    python = str(script("python"))
    if uv:
        if fresh:
            quietly(uv, "venv", "--allow-existing", "--python", sys.executable, str(VENV))
        pip = [uv, "pip", "install", "--compile-bytecode", "--python", python]
    else:
        quietly(sys.executable, "-m", "venv", str(VENV))
        pip = [python, "-m", "pip", "install", "--disable-pip-version-check"]
    quietly(*pip, "--require-hashes", "-r", requirements)
    quietly(*pip, "--no-deps", "--no-build-isolation", "-e", ".")
    quietly(python, "-m", "compileall", "-q", "src")
    STAMP.write_text(stamp_of(kind), encoding="utf-8")


@contextlib.contextmanager
def alone() -> "Iterator[None]":
    """Hold other calls of this file back meanwhile, where the system can: two would spoil one environment."""
    with open(__file__, "rb") as lock:
        with contextlib.suppress(ImportError):
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def prepare(kind: str) -> None:
    """See to it that the environment serves `kind`."""
    if ready(kind):
        return
    with alone():
        if not ready(kind):
            install(kind)


def check(words: "list[str]") -> int:
    """Run every check, up to the first that fails; the last words are pytest's own."""
    for command in CHECKS:
        print("::", *command, flush=True)
        more = words if command[0] == "pytest" else []
        status = subprocess.call([str(script(command[0])), *command[1:], *more], cwd=str(ROOT))
        if status != 0:
            return status
    return 0


def lock(words: "list[str]") -> int:
    """Make the hashed lists anew; without `--upgrade` among the words, versions stay where they can."""
    uv = find_uv()
    if uv is None:
        sys.exit("Making the locks needs uv on the path, for example: python3 -m pip install uv")
    options = ["--universal", "--python-version", f"{NEEDS[0]}.{NEEDS[1]}", "--generate-hashes"]
    for kind, group in GROUPS.items():
        output = f"requirements/{kind}.txt"
        quietly(
            uv,
            "pip",
            "compile",
            "pyproject.toml",
            "--group",
            *group,
            *options,
            "--no-header",
            "--no-annotate",
            "--output-file",
            output,
            *words,
        )
        print(f"Made {output}.")
    return 0


def main(words: "list[str]") -> int:
    """Do what the words say; the exit status is that of the command run."""
    complaint = too_old(sys.version_info[:2])
    if complaint:
        sys.exit(complaint)
    if not words or words[0] in ("-h", "--help"):
        print((__doc__ or "").strip())
        return 0 if words else 2
    if words[0] == "lock":
        return lock(words[1:])
    if words[0] == "test":
        prepare("dev")
        return check(words[1:])
    prepare("run")
    return subprocess.call([str(script("evenbench")), *words])


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
