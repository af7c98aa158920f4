"""Real file systems and a real boot floppy that others made, from free packages: read, recorded, recovered, compared.

The packages are named only here and in the list of what the tests install. No kernel's mount is needed: mtools and the
checker of dosfstools stand for the outside.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from indexhole.jobs.recovery.recovering import Recovered, recover_captures, save
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import format_track
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import Volume, read_volume

# a Debian package of boot files, and where it keeps a disc image with a FAT12 file system inside and loose files
PACKAGE = "ipxe"
DISC = Path("/usr/lib/ipxe/ipxe.iso")
ALSO_INSIDE = Path("/boot/ipxe.efi")
LOOSE = {
    "BOOT.LKR": Path("/boot/ipxe.lkrn"),
    "NET/BOOT.PXE": Path("/usr/lib/ipxe/ipxe.pxe"),
    "NET/UNDI/FIRST.PXE": Path("/usr/lib/ipxe/undionly.kpxe"),
    "NET/UNDI/SECOND.PXE": Path("/usr/lib/ipxe/undionly.kkpxe"),
    "EFI/SNP.EFI": Path("/usr/lib/ipxe/snponly.efi"),
    "README": Path("/usr/share/doc/ipxe/copyright"),
}
# another of the kind, and the rescue floppy of a third, which holds no file system
MORE_DISCS = (("memtest86+", Path("/usr/lib/memtest86+/memtest86+x64.iso")),)
FLOPPY_PACKAGE, FLOPPY = "grub-rescue-pc", Path("/usr/lib/grub-rescue/grub-rescue-floppy.img")
LAYOUT = load_layouts()["90-dense-mfm-18x512"]


def tool(name: str) -> str:
    """A tool of the system, sought where a plain user's path does not lead too."""
    path = os.environ.get("PATH", "") + os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))
    found = shutil.which(name, path=path)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def run(*command: str | Path) -> str:
    done = subprocess.run(command, capture_output=True, check=True, env={**os.environ, "LC_ALL": "C"})
    return done.stdout.decode("latin-1")


def needed() -> None:
    missing = [path for path in (DISC, ALSO_INSIDE, *LOOSE.values()) if not path.exists()]
    if missing:
        pytest.skip(f"the package {PACKAGE} is not installed: no {missing[0]}")


def found_by_mtools(image: Path, folder: Path) -> dict[str, bytes]:
    """Everything mtools copies out of an image, by path."""
    folder.mkdir()
    run(tool("mcopy"), "-s", "-n", "-i", image, "::/", folder)
    return {str(p.relative_to(folder)).upper(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def agree(image: Path, folder: Path) -> Volume:
    """Our reading and mtools' of one image: the same names, bytes and free room, and nothing found wrong by anyone."""
    volume = read_volume(image.read_bytes())
    assert volume is not None
    assert {f.name: f.data for f in volume.files} == found_by_mtools(image, folder)
    assert volume.problems == ()
    assert all(f.whole and f.problems == () for f in volume.files)
    free = next(line for line in run(tool("mdir"), "-i", image, "::").splitlines() if "bytes free" in line)
    assert int("".join(c for c in free if c.isdigit())) == volume.free * volume.unit_bytes
    run(tool("fsck.fat"), "-n", image)
    return volume


def file_system_inside(disc: bytes, package: str = PACKAGE) -> bytes:
    """The FAT12 file system that a disc image carries for booting: it names itself in its descriptor."""
    for at in range(0, len(disc), 2048):
        descriptor = disc[at : at + 512]
        if descriptor[54:59] == b"FAT12" and descriptor[510:512] == b"\x55\xaa":
            sectors = int.from_bytes(descriptor[19:21], "little")
            return disc[at : at + sectors * int.from_bytes(descriptor[11:13], "little")]
    raise AssertionError(f"{package}: no FAT12 file system in its disc image")


def test_the_file_system_another_project_ships(tmp_path: Path) -> None:
    needed()
    path = tmp_path / "inside.img"
    path.write_bytes(file_system_inside(DISC.read_bytes()))
    volume = agree(path, tmp_path / "theirs")
    assert volume.files
    # its boot file is the one that lies loose in the same package
    assert ALSO_INSIDE.read_bytes() in {f.data for f in volume.files}


@pytest.mark.parametrize(("package", "disc"), MORE_DISCS)
def test_the_file_systems_of_other_packages(package: str, disc: Path, tmp_path: Path) -> None:
    if not disc.exists():
        pytest.skip(f"the package {package} is not installed: no {disc}")
    path = tmp_path / "inside.img"
    path.write_bytes(file_system_inside(disc.read_bytes(), package))
    assert agree(path, tmp_path / "theirs").files


@pytest.fixture(scope="module")
def real_disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A 1 474 560-byte image with real boot files, one of them deleted again, made by mkfs.fat and mtools."""
    needed()
    folder = tmp_path_factory.mktemp("real")
    path, source = folder / "disk.img", folder / "source"
    path.write_bytes(bytes(LAYOUT.capacity_bytes))
    run(tool("mkfs.fat"), "-F", "12", "--invariant", "-n", "HARBOUR", path)
    for above in ("NET", "NET/UNDI", "EFI"):
        run(tool("mmd"), "-i", path, f"::{above}")
    for name, loose in LOOSE.items():
        run(tool("mcopy"), "-i", path, loose, f"::{name}")
    source.write_bytes(np.random.default_rng(9).bytes(70_000))
    run(tool("mcopy"), "-i", path, source, "::GONE.BIN")
    run(tool("mdel"), "-i", path, "::GONE.BIN")
    return path


def test_a_real_disk_is_read_as_mtools_reads_it(real_disk: Path, tmp_path: Path) -> None:
    volume = agree(real_disk, tmp_path / "theirs")
    assert {f.name: f.data for f in volume.files} == {name: loose.read_bytes() for name, loose in LOOSE.items()}
    assert volume.title == "HARBOUR"
    (gone,) = volume.deleted_files
    assert (gone.name, gone.data) == ("?ONE.BIN", np.random.default_rng(9).bytes(70_000))


def recorded_and_recovered(image: bytes) -> Recovered:
    """All 160 tracks through the simulator, two turns each."""
    rng = np.random.default_rng(1440)
    at = 0
    tracks = []
    for cylinder, head, zone in LAYOUT.tracks():
        data = {}
        for number in sorted(zone.sector_ids):
            data[number] = image[at : at + zone.sector_bytes]
            at += zone.sector_bytes
        tracks.append(format_track(LAYOUT, cylinder, head, data, rng))
    return recover_captures([capture_of(read_session(tracks, rng, revolutions=2), "session")])


def test_a_rescue_floppy_recorded_and_recovered() -> None:
    """A disk that boots without a file system: every byte comes back, and no volume is read into it."""
    if not FLOPPY.exists():
        pytest.skip(f"the package {FLOPPY_PACKAGE} is not installed: no {FLOPPY}")
    image = FLOPPY.read_bytes().ljust(LAYOUT.capacity_bytes, b"\0")
    assert len(image) == LAYOUT.capacity_bytes
    recovered = recorded_and_recovered(image)
    assert recovered.counts() == {"sound": 2880, "mended": 0, "suspect": 0, "lost": 0}
    assert recovered.image == image
    assert recovered.volume is None


def test_a_real_disk_recorded_recovered_and_read(real_disk: Path, tmp_path: Path) -> None:
    """Through the simulator and back to the same bytes and files."""
    image = real_disk.read_bytes()
    recovered = recorded_and_recovered(image)
    assert recovered.surface.layout == LAYOUT.id
    assert recovered.counts() == {"sound": 2880, "mended": 0, "suspect": 0, "lost": 0}
    assert recovered.image == image
    out = tmp_path / "out"
    saved = save(recovered, out, deleted=True)
    assert saved is not None
    agree(saved, tmp_path / "theirs")
    ours = {str(p.relative_to(out / "files")): p.read_bytes() for p in (out / "files").rglob("*") if p.is_file()}
    assert ours == {name: loose.read_bytes() for name, loose in LOOSE.items()}
    assert (out / "deleted" / "_ONE.BIN").read_bytes() == np.random.default_rng(9).bytes(70_000)
