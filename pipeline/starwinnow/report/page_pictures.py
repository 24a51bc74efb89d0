"""Small grey pictures as text inside the page."""

import base64
import io
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

__all__ = ["pack_ahead", "star_picture", "webp"]

# Looked at side by side: a longer search (methods 1 to 4) takes twice the time and shows no more.
_QUALITY, _METHOD = 60, 0
# A star's wings, a hundredth of its peak, stay visible.
_SOFTENING = 0.01
# A long night's frames; some kilobytes each.
_MOST_PACKED = 5000


# Pictures packed ahead, by the digest of their pixels.
_packed: dict[bytes, str] = {}


def webp(picture: NDArray[np.uint8]) -> str:
    """Pack a grey picture of shape (h, w) as WebP, base64; '' for an empty one."""
    if not picture.size:
        return ""
    return _packed.get(_digest(picture)) or _pack(picture)


def pack_ahead(picture: NDArray[np.uint8]) -> None:
    """Pack a picture that `webp` will be asked for, and keep it."""
    if not picture.size:
        return
    if len(_packed) == _MOST_PACKED:
        del _packed[next(iter(_packed))]
    _packed[_digest(picture)] = webp(picture)


def _digest(picture: NDArray[np.uint8]) -> bytes:
    plain = repr(picture.shape).encode() + picture.tobytes()
    return blake2b(plain, digest_size=16).digest()


def _pack(picture: NDArray[np.uint8]) -> str:
    # Pillow takes a tenth of a second to load: only those pay who write the page.
    from PIL import Image  # noqa: PLC0415

    file = io.BytesIO()
    plain = np.ascontiguousarray(picture)
    Image.fromarray(plain).save(file, "WEBP", quality=_QUALITY, method=_METHOD)
    return base64.b64encode(file.getvalue()).decode("ascii")


def star_picture(star: NDArray[np.float32]) -> str:
    """Stretch an average star, 1 = its brightest pixel, so that its wings show."""
    top = float(np.nanmax(star)) if star.size else 0.0
    if not top > 0:
        return ""
    shade = np.arcsinh(np.clip(star / top, 0, 1) / _SOFTENING) / np.arcsinh(1 / _SOFTENING)
    return webp(np.nan_to_num(255 * shade).astype(np.uint8))
