"""Files of records as text: one record a line, in ordinary characters."""

from __future__ import annotations

from indexhole.volumes.volume import VolumeFile


def records(file: VolumeFile) -> list[bytes]:
    """The file's records in order; the last one may be short. One that has no record length is one record."""
    step = file.record_bytes or max(1, len(file.data))
    return [file.data[at : at + step] for at in range(0, len(file.data), step)]


def as_text(file: VolumeFile) -> str | None:
    """The records as lines, without blanks behind them; None when the volume tells no code or one is not text.

    Characters are those of the code the volume's labels are in (Python's codec of that name).
    """
    if not file.code or not file.record_bytes or not file.data:
        return None
    lines = []
    for record in records(file):
        try:
            line = record.decode(file.code)
        except UnicodeDecodeError:
            return None
        if not line.isprintable():
            return None
        lines.append(line.rstrip(" ") + "\n")
    return "".join(lines)
