"""Photographs: what a file holds, and the picture that is published, without what a camera writes beside it."""

from __future__ import annotations

import contextlib
import io
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.errors import FormatError, MissingExtraError

if TYPE_CHECKING:
    from PIL import Image

KINDS = ("JPEG", "PNG", "WEBP", "TIFF")
MOST_BYTES, MOST_PIXELS = 60 * 2**20, 120_000_000
LEAST_SIDE_PX = 200
_PHOTOGRAPH = "a photograph as JPEG, PNG, WebP or TIFF"
SHOWN_PX, QUALITY = 1600, 82


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as it is published: JPEG in sRGB, upright, at most SHOWN_PX on its longer side, nothing beside the
    pixels: no camera, no date, no place."""

    data: bytes
    width_px: int
    height_px: int


def check_photo(path: Path) -> None:
    """FormatError where a file is no picture that can be published, with file and remedy; MissingExtraError without
    Pillow."""
    with _opened(path, LEAST_SIDE_PX) as image:
        # Half a file opens as well as a whole one.
        image.load()


def picture_of(path: Path, *, longest_px: int = SHOWN_PX) -> Picture:
    """The picture in a photograph, made anew; the file stays as it is. Raises as `check_photo`."""
    from PIL import Image, ImageOps

    with _opened(path, 2 * longest_px) as image:
        upright = _on_white(_in_srgb(ImageOps.exif_transpose(image)))
        upright.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
        # Pixels alone: a new image carries no notes of the old one.
        bare = Image.frombytes("RGB", upright.size, upright.tobytes())
        out = io.BytesIO()
        bare.save(out, "JPEG", quality=QUALITY, optimize=True, progressive=True)
        return Picture(out.getvalue(), *bare.size)


def smaller(picture: Picture, longest_px: int) -> Picture:
    """A published picture at most `longest_px` on its longer side."""
    from PIL import Image

    with Image.open(io.BytesIO(picture.data)) as image:
        image.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        image.save(out, "JPEG", quality=QUALITY, optimize=True)
        return Picture(out.getvalue(), *image.size)


def png_in_few_colors(png: bytes, width_px: int) -> bytes:
    """A drawing as PNG, `width_px` wide and of 64 colors, which is a fifth of its bytes."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        size = (width_px, round(image.height * width_px / image.width))
        drawn = image.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    out = io.BytesIO()
    drawn.quantize(64, method=Image.Quantize.MEDIANCUT).save(out, "PNG", optimize=True)
    return out.getvalue()


@contextlib.contextmanager
def _opened(path: Path, least_px: int) -> Iterator[Image.Image]:
    """The image in a file, decoded no finer than is needed; what fails inside is told of the file."""
    try:
        from PIL import Image, UnidentifiedImageError
    except ImportError:
        raise MissingExtraError.of("formats.no_pillow", where=str(path)) from None
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise _refused(path, f"the picture is too large, {size / 2**20:.0f} MiB", f"at most {MOST_BYTES >> 20} MiB")
        with warnings.catch_warnings():
            # Odd notes of a camera are thrown away in any case.
            warnings.simplefilter("ignore")
            with Image.open(path, formats=KINDS) as image:
                width, height = image.size
                if width * height > MOST_PIXELS or min(width, height) < LEAST_SIDE_PX:
                    limits = f"at least {LEAST_SIDE_PX} on each side, at most {MOST_PIXELS // 10**6} megapixels"
                    raise _refused(path, f"the picture has {width} x {height} pixels", limits)
                image.draft("RGB", (least_px, least_px))
                yield image
    except FormatError:
        raise
    except UnidentifiedImageError:
        raise _refused(path, "the file is no picture that can be read", _PHOTOGRAPH) from None
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError, Image.DecompressionBombError, struct.error):
        raise _refused(path, "the picture is damaged or cannot be read", _PHOTOGRAPH) from None


def _in_srgb(image: Image.Image) -> Image.Image:
    from PIL import ImageCms

    profile = image.info.get("icc_profile")
    if not profile or image.mode not in ("RGB", "CMYK"):
        return image
    try:
        own, usual = ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB")
        return ImageCms.profileToProfile(image, own, usual, outputMode="RGB") or image
    except (ImageCms.PyCMSError, OSError):
        # Without a profile that can be used its colors are taken as those of a screen.
        return image


def _on_white(image: Image.Image) -> Image.Image:
    from PIL import Image as Made

    if image.mode not in ("RGBA", "LA", "PA") and "transparency" not in image.info:
        return image.convert("RGB")
    seen = image.convert("RGBA")
    white = Made.new("RGB", seen.size, "white")
    white.paste(seen, mask=seen.getchannel("A"))
    return white


def _refused(path: Path, what: str, expected: str) -> FormatError:
    return FormatError(
        what, where=str(path), expected=expected, remedy="save it anew as JPEG, or take it out of session.toml"
    )
