"""The photos of a lay as they see for each other: whose features go to whom."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence

from tracer.model.calibration import Calibration
from tracer.model.lay_settings import Separation
from tracer.model.photo import Photo
from tracer.model.scan_map import ScanMap
from tracer.segmentation import Company, SegmentOptions, Way, Witness, look

__all__ = ["Witnesses"]

LOOKING = 0.4  # share of the time that goes into the features


class Witnesses:
    """What each photo of a lay is decided with.

    A photo is decided with all that came with it or before it: what is added to a lay later changes
    nothing in the photos that were there.

    Parameters
    ----------
    photos, calibration
        The lay.
    separation
        How tools are told from the sheet; features are the learned model's.
    added
        Per photo id how often photos had been added to the lay before it came.
    progress
        Called with the share done of all photos.
    """

    def __init__(
        self,
        photos: Sequence[Photo],
        calibration: Calibration,
        separation: Separation | None,
        added: Mapping[str, int],
        progress: Callable[[float], None],
    ) -> None:
        self._photos, self._calibration, self._progress = photos, calibration, progress
        way = Way((separation or Separation.AUTO).value)
        scanned = isinstance(calibration.views[0], ScanMap)
        self.settings = SegmentOptions.of_scan(way) if scanned else SegmentOptions(way=way)
        came = [added.get(photo.photo_id, 0) for photo in photos]
        self._others = [
            [k for k in range(len(photos)) if k != i and came[k] <= came[i]]
            if way is not Way.CLASSICAL
            else []
            for i in range(len(photos))
        ]
        self._features: dict[int, Witness | None] = {}

    def key(self, index: int) -> Hashable:
        """What a photo's silhouettes depend on besides the lay itself."""
        return (self.settings.way, tuple(self._others[index]))

    def company(self, index: int) -> Company | None:
        """The others of a photo; None where it is decided alone."""
        if not self._others[index]:
            return None
        own, *others = (self._seen(k) for k in (index, *self._others[index]))
        seeing = [o for o in others if o is not None]
        return Company(own, seeing) if own is not None and seeing else None

    def part(self, index: int) -> Callable[[float], None]:
        """Progress of one photo as a share of all."""
        first = LOOKING if any(self._others) else 0.0
        count = len(self._photos)
        return lambda done: self._progress(first + (1 - first) * (index + done) / count)

    def _seen(self, index: int) -> Witness | None:
        if index not in self._features:
            self._features[index] = look(
                self._photos[index],
                self._calibration.cameras[index],
                cards=[card.paper_mm for card in self._calibration.cards],
                hull=self._calibration.hull_mm,
                options=self.settings,
            )
            self._progress(LOOKING * len(self._features) / len(self._photos))
        return self._features[index]
