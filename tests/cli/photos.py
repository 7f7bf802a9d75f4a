"""Photo files of small rendered lays, made once per run, for tests of the command line."""

from __future__ import annotations

import tempfile
from functools import cache
from io import BytesIO
from pathlib import Path

from PIL import Image
from shapely.geometry import Point, box

from tests.scene_maker import Scene, make_scene
from tests.scene_parts import Look, Tool

SPANNER = (
    box(120, 150, 260, 162)
    .union(Point(120, 156).buffer(14))
    .union(Point(260, 156).buffer(17))
    .difference(Point(120, 156).buffer(7))
)
BLOCK = box(320, 140, 400, 190)
TOOLS = (Tool(SPANNER, 6.0, "blue"), Tool(BLOCK, 30.0, "red"))


@cache
def lay(tools: tuple[Tool, ...] = TOOLS, seed: int = 0) -> Scene:
    """A lay on grey board under soft light."""
    return make_scene(tools, look=Look(seed=seed))


def jpeg(scene: Scene, *, focal_35mm: int | None = 26, mirrored: bool = False) -> bytes:
    """The photo as a phone saves it."""
    image = Image.fromarray(scene.photo.pixels)
    if mirrored:
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    exif = Image.Exif()
    if focal_35mm is not None:
        exif.get_ifd(0x8769)[0xA405] = focal_35mm
    out = BytesIO()
    image.save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


@cache
def traced_job() -> dict[str, bytes]:
    """Files of a job traced from `lay`, made once per run through the command line."""
    from tracer.cli.app import run

    with tempfile.TemporaryDirectory() as name:
        photo, job = Path(name) / "bench photo.jpg", Path(name) / "bench.job"
        photo.write_bytes(jpeg(lay()))
        options = ["--card-size", "168.0x112.0", "--job", str(job), "--quiet"]
        # its lay remembers the quick way of telling tool from ground
        options += ["--silhouettes", "classical"]
        assert run(["trace", str(photo), *options]) == 0
        paths = [p for p in job.rglob("*") if p.is_file() and p.name != ".lock"]
        return {p.relative_to(job).as_posix(): p.read_bytes() for p in paths}


def put_job(folder: Path) -> Path:
    """The traced job as ``bench.job`` in a folder; gives its path."""
    for name, data in traced_job().items():
        path = folder / "bench.job" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder / "bench.job"
