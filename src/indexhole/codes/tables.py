"""Code tables: mark bytes and their cells, and the words of the 4-to-5 group code.

Sources: mark bytes in two controller data sheets, which agree; clocks of the FM marks from memory; the MFM
mark words are the data word with one clock left out (arithmetic, 4489h also seen in a test note). Group code:
the set of words is that of the published tape standard (ANSI X3.54, ECMA-50); which nibble takes which word
on disk is common practice, no source.
"""

from __future__ import annotations

from typing import Final

ID_MARK: Final = 0xFE
DATA_MARK: Final = 0xFB
DELETED_MARK: Final = 0xF8
INDEX_MARK: Final = 0xFC

FM_GAP_BYTE: Final = 0xFF
MFM_GAP_BYTE: Final = 0x4E

FM_CLOCK: Final = 0xFF
"""Clock byte of every FM byte that is not a mark."""
FM_MARK_CLOCKS: Final = {ID_MARK: 0xC7, DATA_MARK: 0xC7, DELETED_MARK: 0xC7, INDEX_MARK: 0xD7}
FM_MARK_CELLS: Final = {ID_MARK: 0xF57E, DATA_MARK: 0xF56F, DELETED_MARK: 0xF56A, INDEX_MARK: 0xF77A}

MFM_MARK_BYTE: Final = 0xA1
MFM_INDEX_BYTE: Final = 0xC2
MFM_MARK_CELLS: Final = {MFM_MARK_BYTE: 0x4489, MFM_INDEX_BYTE: 0x5224}

GROUP_WORDS: Final = (10, 11, 18, 19, 14, 15, 22, 23, 9, 25, 26, 27, 13, 29, 30, 21)
"""Five-cell word of each nibble, most significant cell first."""
GROUP_SYNC_CELLS: Final = 40
"""One-cells written before a header and before a data block (user manual); ten or more are read as a sync."""
GROUP_BLOCK_BYTES: Final = 256
GROUP_TRACKS_A_SIDE: Final = 77
"""Headers number tracks from 1, those of side 1 so many further on (common practice, no source)."""
GROUP_HEADER: Final = 0x08
GROUP_DATA: Final = 0x07
GROUP_HEADER_FILL: Final = 0x0F
GROUP_GAP_BYTE: Final = 0x55
"""Raw cells of a gap, not put through the code."""
