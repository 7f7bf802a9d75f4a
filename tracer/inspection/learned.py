"""What a first photo of the full panel and one of the empty panel teach of this shop's light."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Learned"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Learned:
    """Colours of the floors over the face's, by the colour that was typed."""

    floor_over_face: Mapping[tuple[int, int, int], Array] | None = None
