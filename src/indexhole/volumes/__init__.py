"""What is on an image: FAT12 (ISO/IEC 9293), labelled (ECMA-58) and linked-sector volumes; the names others use."""

from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import (
    Volume,
    VolumeFile,
    file_state,
    safe_name,
    safe_paths,
    sector_states,
    worst_state,
)

__all__ = [
    "Volume",
    "VolumeFile",
    "file_state",
    "read_volume",
    "safe_name",
    "safe_paths",
    "sector_states",
    "worst_state",
]
