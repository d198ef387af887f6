"""The page's pictures: our own charts as SVG, and the shop's photos, small enough to carry."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from gainkit.charts import Look, chart_svg, draw_headroom, draw_onset
from gainkit.charts.drawing import Draw
from gainkit.job.faults import readings_of
from gainkit.job.opening import OpenJob
from gainkit.job.readings import latest
from gainkit.onset import OnsetResult

PHOTOS = "photos"
"""Folder of a job whose pictures go onto its page, in the order of their names."""

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png")
MOST_PHOTOS = 8
PHOTO_PIXELS = 1000
"""The longer side of a photo on the page [pixel]: legible on paper, and eight of them can be mailed."""

LARGEST_PHOTO_PIXELS = 80_000_000
"""A picture with more is not opened: it would fill the memory (our choice) [pixel]."""


@dataclass(frozen=True)
class Picture:
    """One chart, drawn twice: wide for a desk, narrow for a phone and for paper."""

    wide_svg: str
    narrow_svg: str
    name: str
    caption: str


@dataclass(frozen=True)
class Photo:
    """A photo as an address that holds all of it. problem : why it could not be shown, None if it is."""

    name: str
    address: str | None
    problem: str | None = None


def job_pictures(job: OpenJob) -> Iterator[Picture]:
    """Headroom of every channel whose gain is known, and the onset of every output that was measured."""
    for number, channel in enumerate(job.plan.channels):
        if channel.gain_db is not None and not channel.built_in:
            draw: Draw = partial(draw_headroom, target=channel, name="setting")
            yield _picture(draw, channel.name, "headroom against gain", f"headroom{number}")
    counting = [each for each in job.readings if each.counts]
    for number, output in enumerate(job.system.outputs):
        onset = latest(readings_of(counting, output, job.system.outputs), "onset")
        result = onset.result if onset is not None else None
        if isinstance(result, OnsetResult) and any(step.thd_percent is not None for step in result.steps):
            curve: Draw = partial(draw_onset, onset=result)
            yield _picture(curve, output.name, "distortion against level", f"onset{number}")


def _picture(draw: Draw, name: str, caption: str, mark: str) -> Picture:
    return Picture(
        wide_svg=chart_svg(draw, Look(size="page"), name=f"{mark}w", by_page=True),
        narrow_svg=chart_svg(draw, Look(size="phone"), name=f"{mark}n", by_page=True),
        name=name,
        caption=caption,
    )


def job_photos(folder: Path) -> list[Photo]:
    """The photos of a job's folder, made small; those beyond the most are left out and told by the last."""
    place = folder / PHOTOS
    entries = sorted(place.iterdir()) if place.is_dir() else []
    files = [each for each in entries if each.suffix.lower() in PHOTO_SUFFIXES]
    photos = [_photo(each) for each in files[:MOST_PHOTOS]]
    if len(files) > MOST_PHOTOS:
        photos.append(Photo(f"{len(files) - MOST_PHOTOS} more", None, "left out"))
    return photos


def _photo(path: Path) -> Photo:
    from PIL import Image, ImageOps

    try:
        with Image.open(path) as picture:
            if picture.width * picture.height > LARGEST_PHOTO_PIXELS:
                return Photo(path.name, None, "too large")
            upright = ImageOps.exif_transpose(picture).convert("RGB")
            upright.thumbnail((PHOTO_PIXELS, PHOTO_PIXELS))
            out = io.BytesIO()
            upright.save(out, format="JPEG", quality=80)  # without the camera's data: no place, no time
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return Photo(path.name, None, "cannot be read")
    return Photo(path.name, "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode())
