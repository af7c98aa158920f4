"""Makes .venv in the project's root and installs pinned packages and the project into it. Called by make.

    python3 requirements/install.py base     what indexhole needs
    python3 requirements/install.py docs     what the site of its docs is made with besides
    python3 requirements/install.py dev      what its tests need besides, and the Debian packages they use
    python3 requirements/install.py fuzz     what indexhole and the fuzzer need, into .venv-fuzz of its own

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
    "strace": "strace",
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


def run(what, *command):
    if subprocess.call(command, stdin=subprocess.DEVNULL) != 0:
        raise Missing(f"{what} failed; the reason stands above")


class Environment:
    """An environment in the project's root, and the sets of packages it is to hold: the last of them has all."""

    def __init__(self, name, sets):
        self.name, self.sets = name, sets
        self.place = ROOT / name
        self.python = self.place / "bin" / "python"
        self.stamp = self.place / "indexhole-installed.json"
        self.unfinished = self.place / "indexhole-unfinished"

    def wanted(self):
        """What it should hold: its place, and the SHA-256 of each list of packages and of the project's."""
        lists = {name: LISTS / f"{name}.txt" for name in self.sets}
        lists["project"] = ROOT / "pyproject.toml"
        hashes = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in lists.items()}
        return {"place": str(self.place), **hashes}

    def installed(self):
        """What it holds by its own account; empty when it has none."""
        try:
            state = json.loads(self.stamp.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return state if isinstance(state, dict) else {}

    def usable(self):
        """Whether it stands whole where it was made, and its Python is new enough."""
        if self.unfinished.exists() or self.installed().get("place", str(self.place)) != str(self.place):
            return False
        ask = f"import pip, sys; sys.exit(sys.version_info < {OLDEST})"
        try:
            return subprocess.call([str(self.python), "-c", ask], stderr=subprocess.DEVNULL) == 0
        except OSError:
            return False

    def pip(self, *arguments):
        run("installing", str(self.python), "-m", "pip", "install", "-qq", "--disable-pip-version-check", *arguments)

    def make(self):
        if self.place.is_symlink() or self.place.is_file():
            self.place.unlink()
        elif self.place.exists():
            tell(f"the {self.name} here is broken or half made; making it anew")
            shutil.rmtree(str(self.place))
        self.place.mkdir()
        self.unfinished.touch()
        run(f"making {self.name}", sys.executable, "-m", "venv", str(self.place))

    def install(self):
        """Bring it up to what the lists say; nothing is done when it is."""
        state = self.wanted()
        whole = self.usable()
        held = self.installed() if whole else {}
        if whole and all(held.get(name) == value for name, value in state.items()):
            return
        if not whole:
            self.make()
        self.unfinished.touch()
        last = f"{self.sets[-1]}.txt"
        tell(f"installing the packages of requirements/{last} into {self.name}, once; this may take a minute")
        self.pip("--require-hashes", "-r", str(LISTS / last))
        self.pip("--no-deps", "--no-build-isolation", "-e", str(ROOT))
        self.stamp.write_text(json.dumps({**held, **state}, indent=1), encoding="utf-8")
        self.unfinished.unlink()


ENVIRONMENTS = {
    "base": Environment(".venv", ["base"]),
    "docs": Environment(".venv", ["base", "docs"]),
    "dev": Environment(".venv", ["base", "docs", "dev"]),
    "fuzz": Environment(".venv-fuzz", ["fuzz"]),
}


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
    asked = arguments[0] if len(arguments) == 1 else ""
    if asked not in ENVIRONMENTS:
        tell("say base, docs, dev or fuzz")
        return 2
    environment = ENVIRONMENTS[asked]
    try:
        check_python()
        environment.install()
        if asked == "dev":
            install_debian()
    except Missing as reason:
        tell(reason)
        return 1
    except OSError as fault:
        tell(f"{fault.filename or environment.place}: {fault.strerror or fault}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
