"""The source's own ceiling, from captures by volume position."""

from __future__ import annotations

from gainkit.volume.find import VolumePosition, VolumeResult, find_clean_volume, write_source

__all__ = ["VolumePosition", "VolumeResult", "find_clean_volume", "write_source"]
