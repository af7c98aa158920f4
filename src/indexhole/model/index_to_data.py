"""From the index to the first sector: angles, times, and how late an index may come before a sector is lost.

Sources: 200 us after the index is the nominal burst of an alignment disk (network-news posts); the angles are
arithmetic. Times in seconds, angles in degrees.
"""

from __future__ import annotations


def angle_deg(delay_s: float, speed_rpm: float) -> float:
    """Angle the disk turns in a time."""
    return delay_s * speed_rpm * 6.0


def first_header_s(gap_bytes: float, cells_per_byte: float, cell_s: float) -> float:
    """From the index as the writer saw it to its first header, s: everything before it in bytes."""
    return gap_bytes * cells_per_byte * cell_s


def room_s(first_header: float, writer_late_s: float, reader_late_s: float) -> float:
    """Room before the first header passes the reader that begins at its own index, s.

    A writer whose index came late put everything later by as much; a reader whose index comes late looks later.
    Negative: the first sector of the turn has gone by, and is only found on the next one.
    """
    return first_header + writer_late_s - reader_late_s
