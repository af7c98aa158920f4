"""Making the environment: nothing to do when it stands, anew when it is half made, one line when it cannot be."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


class Scene:
    """The install script on a project of its own, with the commands it would run noted instead."""

    def __init__(self, script: ModuleType, root: Path) -> None:
        self.script, self.root = script, root
        self.ran: list[tuple[str, ...]] = []

    def run(self, what: str, *command: str) -> None:
        self.ran.append(command)
        if command[1:3] == ("-m", "venv"):
            python = Path(command[3]) / "bin" / "python"
            python.parent.mkdir(parents=True)
            python.symlink_to(sys.executable)

    def words(self) -> list[str]:
        """What was done, in a word each."""
        self.ran, ran = [], self.ran
        return ["venv" if "venv" in command else command[-1].rsplit("/", 1)[-1] for command in ran]


@pytest.fixture
def scene(tmp_path, monkeypatch) -> Scene:
    root = tmp_path / "project"
    (root / "requirements").mkdir(parents=True)
    for name in (
        "requirements/base.txt",
        "requirements/docs.txt",
        "requirements/dev.txt",
        "requirements/fuzz.txt",
        "pyproject.toml",
    ):
        (root / name).write_text(name)
    script = root / "requirements" / "install.py"
    script.write_bytes((ROOT / "requirements" / "install.py").read_bytes())
    spec = importlib.util.spec_from_file_location("install", script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    made = Scene(module, root)
    monkeypatch.setattr(module, "run", made.run)
    monkeypatch.setattr(module, "present", lambda sign: True)
    return made


def test_a_fresh_machine_then_nothing_to_do(scene):
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["venv", "base.txt", "project"]
    assert scene.script.main(["base"]) == 0
    assert scene.words() == []


def test_packages_are_held_to_their_hashes(scene):
    scene.script.main(["base"])
    first, second = (command for command in scene.ran if "pip" in command)
    assert "--require-hashes" in first
    assert {"--no-deps", "--no-build-isolation", "-e"} <= set(second)


def test_tests_need_more_and_the_demonstration_then_nothing(scene):
    scene.script.main(["base"])
    scene.words()
    assert scene.script.main(["dev"]) == 0
    assert scene.words() == ["dev.txt", "project"]
    assert scene.script.main(["base"]) == scene.script.main(["dev"]) == 0
    assert scene.words() == []


def test_the_site_of_the_docs_needs_more_than_the_command_and_less_than_the_tests(scene):
    assert scene.script.main(["docs"]) == 0
    assert scene.words() == ["venv", "docs.txt", "project"]
    assert scene.script.main(["dev"]) == 0
    assert scene.words() == ["dev.txt", "project"]
    assert scene.script.main(["docs"]) == 0
    assert scene.words() == []


def test_the_fuzzer_has_an_environment_of_its_own(scene):
    scene.script.main(["dev"])
    scene.words()
    assert scene.script.main(["fuzz"]) == 0
    assert scene.words() == ["venv", "fuzz.txt", "project"]
    assert (scene.root / ".venv-fuzz" / "bin" / "python").exists()
    assert scene.script.main(["fuzz"]) == scene.script.main(["dev"]) == 0
    assert scene.words() == []


@pytest.mark.parametrize("name", ["requirements/base.txt", "pyproject.toml"])
def test_a_changed_list_is_installed_into_what_stands(scene, name):
    scene.script.main(["base"])
    scene.words()
    (scene.root / name).write_text("newer")
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["base.txt", "project"]


def test_half_made_is_made_anew(scene, capsys):
    scene.script.main(["base"])
    scene.words()
    (scene.root / ".venv" / "indexhole-unfinished").touch()
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["venv", "base.txt", "project"]
    assert "the .venv here is broken or half made; making it anew" in capsys.readouterr().err


def test_an_install_that_fails_is_tried_anew(scene, monkeypatch, capsys):
    def fails(what: str, *command: str) -> None:
        scene.run(what, *command)
        if "pip" in command:
            raise scene.script.Missing(f"{what} failed; the reason stands above")

    monkeypatch.setattr(scene.script, "run", fails)
    assert scene.script.main(["base"]) == 1
    assert capsys.readouterr().err.endswith("indexhole: installing failed; the reason stands above\n")
    scene.words()
    monkeypatch.setattr(scene.script, "run", scene.run)
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["venv", "base.txt", "project"]


def test_without_its_python_it_is_made_anew(scene):
    scene.script.main(["base"])
    scene.words()
    (scene.root / ".venv" / "bin" / "python").unlink()
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["venv", "base.txt", "project"]


def test_made_elsewhere_it_is_made_anew(scene):
    scene.script.main(["base"])
    scene.words()
    stamp = scene.root / ".venv" / "indexhole-installed.json"
    stamp.write_text(json.dumps({**json.loads(stamp.read_text()), "place": "/elsewhere/.venv"}))
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["venv", "base.txt", "project"]


def test_one_made_by_hand_is_kept_and_filled(scene):
    scene.run("", "python3", "-m", "venv", str(scene.root / ".venv"))
    (scene.root / ".venv" / "mine").touch()
    scene.words()
    assert scene.script.main(["base"]) == 0
    assert scene.words() == ["base.txt", "project"]
    assert (scene.root / ".venv" / "mine").exists()


def test_an_old_python_is_told_in_one_line(scene, monkeypatch, capsys):
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    assert scene.script.main(["base"]) == 1
    told = capsys.readouterr().err
    assert re.fullmatch(
        r"indexhole: needs Python 3\.11 or newer, and .* is 3\.9; name another, such as: make .*\n", told
    )
    assert not (scene.root / ".venv").exists()


def test_a_python_without_venv_is_told_in_one_line(scene, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    assert scene.script.main(["base"]) == 1
    assert capsys.readouterr().err.endswith(" has no venv; install it (on Debian: apt-get install python3-venv)\n")


def test_without_root_missing_packages_are_named(scene, monkeypatch, capsys):
    monkeypatch.setattr(scene.script, "present", lambda sign: sign not in ("mcopy", "chromium"))
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert scene.script.main(["dev"]) == 1
    assert capsys.readouterr().err.splitlines()[-1] == (
        "indexhole: the tests need chromium, mtools; as root: apt-get install --no-install-recommends chromium mtools"
    )
    assert "chromium" not in scene.words()


def test_root_installs_them(scene, monkeypatch):
    monkeypatch.setattr(scene.script, "present", lambda sign: sign != "pdftotext")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(scene.script.shutil, "which", lambda name, **_: f"/usr/bin/{name}")
    assert scene.script.main(["dev"]) == 0
    assert [command for command in scene.ran if command[0] == "apt-get"][-1] == (
        "apt-get", "install", "--no-install-recommends", "poppler-utils", "-y", "-qq",
    )  # fmt: skip


def test_the_script_says_how_it_is_called(scene, capsys):
    assert scene.script.main([]) == scene.script.main(["other"]) == 2
    assert capsys.readouterr().err == "indexhole: say base, docs, dev or fuzz\n" * 2


def made(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["make", "--no-print-directory", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )


def test_make_alone_lists_every_target():
    listed = {line.split()[0] for line in made().stdout.splitlines()}
    makefile = (ROOT / "Makefile").read_text()
    assert listed == set(re.findall(r"^([a-z-]+):.*## ", makefile, re.MULTILINE))
    assert {"demo", "test", "quick", "coverage", "pythons", "lint", "bench", "pins", "clean", "help"} <= listed


def test_the_readme_names_only_what_can_be_made():
    named = set(re.findall(r"`?make ([a-z]+)", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert named
    assert named <= {line.split()[0] for line in made().stdout.splitlines()}


def test_no_python_is_told_in_one_line():
    done = made("demo", "PYTHON=no-such-python")
    assert done.returncode != 0
    assert done.stderr.splitlines()[0] == "make: needs Python 3.11 or newer, and there is no no-such-python"


def test_the_demonstration_passes_on_what_is_asked():
    told = made("--dry-run", "demo", "SERVE=1", "YES=1").stdout
    assert "bin/indexhole demo --folder demo-shelf --serve --yes" in told


def test_the_check_script_can_be_run():
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    assert "make --no-print-directory test" in script.read_text()
    assert subprocess.run(["bash", "-n", script], check=False).returncode == 0


def test_the_oldest_and_the_newest_python_are_chosen(tmp_path):
    script = ROOT / ".ci" / "pythons"
    assert subprocess.run(["bash", "-n", script], check=False).returncode == 0
    copy = tmp_path / "project" / ".ci" / "pythons"
    copy.parent.mkdir(parents=True)
    copy.write_bytes(script.read_bytes())
    (tmp_path / "project" / "requirements").mkdir()
    (tmp_path / "project" / "requirements" / "dev.txt").write_text("")
    names = tmp_path / "names"
    names.mkdir()
    # each stands for a Python whose environment holds something that says how it was called
    for minor in (11, 12, 13):
        stand_in = names / f"python3.{minor}"
        stand_in.write_text(
            "#!/bin/bash\n"
            f'if [[ $1 == --version ]]; then echo "Python 3.{minor}.0"; fi\n'
            f'if [[ $2 == venv ]]; then mkdir -p "${{@: -1}}/bin" && cp "$0" "${{@: -1}}/bin/python"; fi\n'
            f'if [[ $2 == pytest ]]; then echo "tests of 3.{minor}, ${{@: -1}}"; fi\n'
        )
        stand_in.chmod(0o755)
    (names / "python3.14").write_text("#!/bin/bash\nexit 127\n")
    (names / "python3.14").chmod(0o755)

    def said() -> list[str]:
        path = f"{names}{os.pathsep}/usr/bin{os.pathsep}/bin"
        done = subprocess.run(["bash", copy], env={"PATH": path}, capture_output=True, text=True, check=True)
        return done.stdout.splitlines()

    both = ["pythons: Python 3.11.0", "tests of 3.11, --quick", "pythons: Python 3.13.0", "tests of 3.13, --quick"]
    assert said() == both
    for minor in (12, 13):
        (names / f"python3.{minor}").write_text("#!/bin/bash\nexit 127\n")
    assert said()[0] == "pythons: only python3.11 is here"
