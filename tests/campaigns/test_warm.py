"""Results shared between runs: of a photo, by the way it was traced, whatever points were typed."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any

from tests.campaigns.workshop import Warm
from tests.cli.photos import jpeg, lay
from tracer.model.lay_settings import Separation
from tracer.model.tool_list import ToolRow
from tracer.photos import decode_photo
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import TraceOptions, trace


class Shared(StageCache):
    """A memory of one run that looks into what all runs share, and counts what is made."""

    def __init__(self, warm: Warm) -> None:
        super().__init__()
        self.warm, self.made = warm, 0

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        def counted() -> Any:
            self.made += key[0] == "segment"  # type: ignore[index]
            return make()

        return self.warm.get(self, key, counted)


def test_points_share_a_segmentation_and_ways_do_not() -> None:
    warm = Warm()
    photo = decode_photo(jpeg(lay()), "bench.jpg")
    spots = (ToolRow(name="spanner", x_px=400.0, y_px=300.0),)
    made, outlines = [], []
    for separation, rows in (
        (Separation.CLASSICAL, ()),
        (Separation.CLASSICAL, spots),
        (None, ()),
        (Separation.CLASSICAL, ()),
    ):
        cache = Shared(warm)
        done = trace([photo], rows, options=TraceOptions(separation=separation), cache=cache)
        made.append(cache.made)
        outlines.append([o.region.wkb for o in done.outlines])
    assert made == [1, 0, 1, 0]
    assert outlines[0] == outlines[3] != outlines[2]
