"""Photos from outside: looked at with suspicion, drawn anew, and nothing of the file itself is kept.

A photo is decoded and encoded again, so what else a file carried (where it was taken, a thumbnail of what was cut
off, a script behind the picture) is gone. Its size is known from its head, before a pixel is decoded.
"""

from __future__ import annotations

import io
import threading
import warnings
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from indexhole.errors import InputFault

if TYPE_CHECKING:
    from PIL.Image import Image as Drawn

KINDS = ("JPEG", "PNG", "WEBP")
ACCEPT = "image/jpeg,image/png,image/webp"
LARGEST_BYTES = 32 << 20
# our own choice: more than a phone's camera has, and less than a machine of 1 GiB can decode
MOST_PIXELS = 120_000_000
LONGEST_PX, SMALL_PX = 2560, 480
_QUALITY = 88
_TAKE = "take a JPEG, PNG or WebP picture"


@dataclass(frozen=True)
class Picture:
    """A photo as it is kept: JPEG bytes, at most 2560 px long, and a small one for lists; sizes in pixels."""

    content: bytes
    small: bytes
    width_px: int
    height_px: int


def redrawn(content: bytes, name: str) -> Picture:
    """The photo decoded, turned upright and encoded anew, without its metadata.

    Raises InputFault for a file that is too large, of another kind, of too many pixels or damaged.
    """
    # both cost a tenth of a second to import
    from PIL import Image, ImageOps, UnidentifiedImageError

    if len(content) > LARGEST_BYTES:
        raise InputFault(f"is larger than {LARGEST_BYTES >> 20} MiB", where=name, remedy="take a smaller picture")
    with warnings.catch_warnings():
        # the limit below is ours; the library's own warning comes earlier and must not end in the terminal
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(content), formats=KINDS) as opened:
                wide, high = opened.size
                if wide * high > MOST_PIXELS or max(wide, high) > 20_000:
                    raise InputFault(
                        f"has {wide} x {high} pixels; at most {MOST_PIXELS // 1_000_000} million are taken",
                        where=name,
                        remedy="take a smaller picture",
                    )
                # a JPEG is decoded at a fraction of its size where that is enough
                opened.draft("RGB", (LONGEST_PX, LONGEST_PX))
                upright = ImageOps.exif_transpose(opened)
                plain = _on_paper(upright)
        except UnidentifiedImageError as fault:
            raise InputFault("is no picture this page can read", where=name, remedy=_TAKE) from fault
        except (OSError, ValueError, SyntaxError, MemoryError, EOFError, Image.DecompressionBombError) as fault:
            raise InputFault(f"is damaged ({fault})", where=name, remedy=_TAKE) from fault
    plain.thumbnail((LONGEST_PX, LONGEST_PX))
    large = _jpeg(plain)
    size = plain.size
    plain.thumbnail((SMALL_PX, SMALL_PX))
    return Picture(large, _jpeg(plain), *size)


_SMALL: OrderedDict[str, bytes] = OrderedDict()
_MOST_SMALL = 400
_TURN = threading.Lock()


def small_of(sha256: str, content: bytes) -> bytes:
    """The small picture of a kept photo, made once and held by the photo's SHA-256; a damaged file gives itself."""
    with _TURN:
        if sha256 in _SMALL:
            _SMALL.move_to_end(sha256)
            return _SMALL[sha256]
    try:
        made = redrawn(content, sha256).small
    except InputFault:
        return content
    with _TURN:
        _SMALL[sha256] = made
        while len(_SMALL) > _MOST_SMALL:
            _SMALL.popitem(last=False)
    return made


def _on_paper(picture: Drawn) -> Drawn:
    """Plain RGB; what is see-through lies on white."""
    from PIL import Image

    if "A" in picture.getbands() or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        ground = Image.new("RGB", seen.size, "white")
        ground.paste(seen, mask=seen.getchannel("A"))
        return ground
    return picture.convert("RGB")


def _jpeg(picture: Drawn) -> bytes:
    from PIL import Image

    clean = Image.frombytes("RGB", picture.size, picture.tobytes())
    written = io.BytesIO()
    clean.save(written, "JPEG", quality=_QUALITY, optimize=True, progressive=True)
    return written.getvalue()
