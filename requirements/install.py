"""Makes .venv in the project's root and installs pinned packages and the project into it. Called by make.

    python3 requirements/install.py base     what indexhole needs
    python3 requirements/install.py dev      what its tests need besides, and the Debian packages they use

Runs on whatever python3 there is, with nothing but its standard library and in a dialect that older ones read: it
must at least be able to say what is missing. Run again it only looks, and makes anew a .venv that is half made.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LISTS = ROOT / "requirements"
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "indexhole-installed.json"
UNFINISHED = VENV / "indexhole-unfinished"
OLDEST = (3, 11)

# Debian package: a command it brings, or a file
DEBIAN = {
    "chromium": "chromium",
    "dosfstools": "mkfs.fat",
    "fonts-liberation": "/usr/share/fonts/truetype/liberation/LiberationSans-Regular.ttf",
    "grub-rescue-pc": "/usr/lib/grub-rescue/grub-rescue-floppy.img",
    "ipxe": "/usr/lib/ipxe/ipxe.iso",
    "memtest86+": "/usr/lib/memtest86+/memtest86+x64.iso",
    "mtools": "mcopy",
    "poppler-utils": "pdftotext",
    "postgresql": "/usr/lib/postgresql",
}
# where administrators' commands lie, which a plain user's PATH lacks
SBIN = os.pathsep.join(("/usr/local/sbin", "/usr/sbin", "/sbin"))


class Missing(Exception):
    """Something the machine lacks, in one line."""


def tell(line):
    print(f"indexhole: {line}", file=sys.stderr, flush=True)


def check_python():
    """Raise Missing unless this Python can make the environment."""
    if sys.version_info < OLDEST:
        raise Missing(
            f"needs Python {OLDEST[0]}.{OLDEST[1]} or newer, and {sys.executable} is "
            f"{sys.version_info[0]}.{sys.version_info[1]}; name another, such as: make PYTHON=python3.12"
        )
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        raise Missing(f"{sys.executable} has no venv; install it (on Debian: apt-get install python3-venv)") from None


def wanted(sets):
    """What the environment should hold: its place, and the SHA-256 of each list of packages and of the project's."""
    lists = {name: LISTS / f"{name}.txt" for name in sets}
    lists["project"] = ROOT / "pyproject.toml"
    hashes = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in lists.items()}
    return {"place": str(VENV), **hashes}


def installed():
    """What the environment holds by its own account; empty when it has none."""
    try:
        state = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return state if isinstance(state, dict) else {}


def usable():
    """Whether the environment stands whole where it was made, and its Python is new enough."""
    if UNFINISHED.exists() or installed().get("place", str(VENV)) != str(VENV):
        return False
    ask = f"import pip, sys; sys.exit(sys.version_info < {OLDEST})"
    try:
        return subprocess.call([str(PYTHON), "-c", ask], stderr=subprocess.DEVNULL) == 0
    except OSError:
        return False


def run(what, *command):
    if subprocess.call(command, stdin=subprocess.DEVNULL) != 0:
        raise Missing(f"{what} failed; the reason stands above")


def pip(*arguments):
    run("installing", str(PYTHON), "-m", "pip", "install", "-qq", "--disable-pip-version-check", *arguments)


def make_environment():
    if VENV.is_symlink() or VENV.is_file():
        VENV.unlink()
    elif VENV.exists():
        tell("the .venv here is broken or half made; making it anew")
        shutil.rmtree(str(VENV))
    VENV.mkdir()
    UNFINISHED.touch()
    run("making .venv", sys.executable, "-m", "venv", str(VENV))


def install(sets):
    """Bring the environment up to what the lists say; nothing is done when it is."""
    state = wanted(sets)
    whole = usable()
    held = installed() if whole else {}
    if whole and all(held.get(name) == value for name, value in state.items()):
        return
    if not whole:
        make_environment()
    UNFINISHED.touch()
    tell(f"installing the packages of requirements/{sets[-1]}.txt into .venv, once; this may take a minute")
    pip("--require-hashes", "-r", str(LISTS / f"{sets[-1]}.txt"))
    pip("--no-deps", "--no-build-isolation", "-e", str(ROOT))
    STAMP.write_text(json.dumps({**held, **state}, indent=1), encoding="utf-8")
    UNFINISHED.unlink()


def present(sign):
    """Whether a command or a file is there."""
    if sign.startswith("/"):
        return Path(sign).exists()
    return shutil.which(sign, path=os.pathsep.join((os.environ.get("PATH", ""), SBIN))) is not None


def install_debian():
    """Install the Debian packages the tests use, which takes root; raise Missing when it cannot be done."""
    missing = sorted(package for package, sign in DEBIAN.items() if not present(sign))
    if not missing:
        return
    asked = ["apt-get", "install", "--no-install-recommends", *missing]
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        raise Missing(f"the tests need {', '.join(missing)}; as root: {' '.join(asked)}")
    tell(f"installing {', '.join(missing)}")
    os.environ["DEBIAN_FRONTEND"] = "noninteractive"
    run("apt-get update", "apt-get", "update", "-qq")
    run("apt-get install", *asked, "-y", "-qq")


def main(arguments):
    sets = {"base": ["base"], "dev": ["base", "dev"]}.get(arguments[0] if len(arguments) == 1 else "")
    if sets is None:
        tell("say base or dev")
        return 2
    try:
        check_python()
        install(sets)
        if "dev" in sets:
            install_debian()
    except Missing as reason:
        tell(reason)
        return 1
    except OSError as fault:
        tell(f"{fault.filename or VENV}: {fault.strerror or fault}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
