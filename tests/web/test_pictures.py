"""Photos from outside: what is kept of them, and what is refused in one line."""

from __future__ import annotations

import io
import random
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from indexhole.errors import InputFault
from indexhole.web.pages.shelf.pictures import LARGEST_BYTES, LONGEST_PX, SMALL_PX, redrawn

SECRET = b"taken at the keeper's own house"


def drawn(kind: str, size: tuple[int, int] = (60, 40), mode: str = "RGB", **how: object) -> bytes:
    """A picture, left half dark and right half light."""
    picture = Image.new(mode, size, 0)
    picture.paste(
        Image.new(mode, (size[0] // 2, size[1]), (230, 220, 200, 255)[: len(mode)] if mode != "L" else 230),
        (size[0] // 2, 0),
    )
    held = io.BytesIO()
    picture.save(held, kind, **how)
    return held.getvalue()


def opened(content: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(content))
    picture.load()
    return picture


@pytest.mark.parametrize(
    ("kind", "mode"), [("JPEG", "RGB"), ("PNG", "RGB"), ("PNG", "L"), ("PNG", "RGBA"), ("WEBP", "RGB")]
)
def test_a_photo_comes_out_as_it_looked(kind: str, mode: str) -> None:
    kept = redrawn(drawn(kind, mode=mode), "photo")
    picture = opened(kept.content)
    assert (picture.format, picture.mode, picture.size) == ("JPEG", "RGB", (60, 40))
    assert (kept.width_px, kept.height_px) == (60, 40)
    left, right = (picture.convert("L").getpixel((x, 20)) for x in (10, 50))
    assert isinstance(left, int)
    assert isinstance(right, int)
    if mode != "RGBA":  # there the dark half is see-through and lies on white
        assert left < 40
    assert right > 190


def test_what_else_the_file_held_is_gone() -> None:
    exif = Image.Exif()
    exif[0x010E] = SECRET.decode()
    exif[0x8825] = {1: "N", 2: (54.0, 19.0, 3.0)}
    held = drawn("JPEG", exif=exif, comment=SECRET) + SECRET
    assert held.count(SECRET) >= 2
    kept = redrawn(held, "photo")
    for content in (kept.content, kept.small):
        assert SECRET not in content
        picture = opened(content)
        assert not picture.getexif()
        assert "comment" not in picture.info
        assert "exif" not in picture.info


def test_a_photo_taken_sideways_is_turned_upright() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # turned a quarter clockwise to be seen upright
    kept = redrawn(drawn("JPEG", exif=exif), "photo")
    assert (kept.width_px, kept.height_px) == (40, 60)
    grey = opened(kept.content).convert("L")
    top, foot = grey.getpixel((20, 8)), grey.getpixel((20, 52))
    assert isinstance(top, int)
    assert isinstance(foot, int)
    assert top < foot


def test_a_large_photo_is_kept_smaller() -> None:
    kept = redrawn(drawn("JPEG", (6000, 3000)), "photo")
    assert (kept.width_px, kept.height_px) == (LONGEST_PX, LONGEST_PX // 2)
    assert max(opened(kept.small).size) == SMALL_PX


def _png_head(wide: int, high: int) -> bytes:
    """A PNG that says it is this large and holds next to nothing (PNG standard, 11.2.2)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(50_000, 50_000), (20_000, 19_999), (30_000, 1), (11_000, 11_000)])
def test_a_small_file_that_swells_is_refused_before_it_is_decoded(size: tuple[int, int]) -> None:
    with pytest.raises(InputFault, match=r"bomb.png: .*pixels"):
        redrawn(_png_head(*size), "bomb.png")


def test_a_picture_cut_short_is_told_in_one_line() -> None:
    grains = random.Random(5).randbytes(90 * 90 * 3)
    held = io.BytesIO()
    Image.frombytes("RGB", (90, 90), grains).save(held, "PNG")
    whole = held.getvalue()
    for kept in (len(whole) // 2, len(whole) - 400, 40, 8):
        with pytest.raises(InputFault) as told:
            redrawn(whole[:kept], "cut.png")
        assert "\n" not in told.value.line


@pytest.mark.parametrize(
    "content",
    [
        b"", b"GIF89a" + bytes(100), b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"%PDF-1.4", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n", b"<script>", b"II*\0" + bytes(60),
        b"P6 9 9 255 ",
    ],
)  # fmt: skip
def test_what_is_no_photo_is_refused(content: bytes) -> None:
    with pytest.raises(InputFault, match="no picture this page can read"):
        redrawn(content, "it")


def test_a_file_over_the_limit_is_refused_unread() -> None:
    with pytest.raises(InputFault, match="larger than 32 MiB"):
        redrawn(bytes(LARGEST_BYTES + 1), "it")


WHOLE = [drawn(kind, (24, 16)) for kind in ("JPEG", "PNG", "WEBP")]


@settings(max_examples=150)
@given(st.sampled_from(WHOLE), st.data())
def test_no_damage_ends_in_anything_but_a_picture_or_one_line(whole: bytes, data: st.DataObject) -> None:
    held = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 6))):
        held[data.draw(st.integers(0, len(held) - 1))] = data.draw(st.integers(0, 255))
    try:
        kept = redrawn(bytes(held[: data.draw(st.integers(0, len(held)))]), "it")
    except InputFault as fault:
        assert "\n" not in fault.line
    else:
        assert opened(kept.content).format == "JPEG"
