"""Pictures from phones: checked, turned upright, made smaller, freed of place and camera data."""

from __future__ import annotations

import io
import warnings

from PIL import Image, ImageOps, UnidentifiedImageError

from api.problems import unprocessable

LONGEST_SIDE = 1600
MOST_PIXELS = 60_000_000
_FORMATS = ("JPEG", "PNG", "WEBP")


def as_jpeg(raw: bytes) -> bytes:
    """``raw`` as an upright JPEG of at most 1600 pixels a side; ProblemError 422 when it is no usable picture."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(raw), formats=_FORMATS) as image:
                if image.width * image.height > MOST_PIXELS:
                    raise unprocessable(
                        "body", "The picture has too many pixels; at most 60 million are taken."
                    )
                upright = ImageOps.exif_transpose(image).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError, Warning):
        raise unprocessable("body", "This is not a JPEG, PNG or WebP picture that can be read.") from None
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()
