"""What is on an image: FAT12 (ISO/IEC 9293) and linked-sector volumes; the names other rooms use."""

from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import Volume, VolumeFile, file_state, safe_name, safe_paths, worst_state

__all__ = ["Volume", "VolumeFile", "file_state", "read_volume", "safe_name", "safe_paths", "worst_state"]
