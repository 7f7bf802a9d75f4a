"""The training renderer against geometry done another way (shapely)."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point

from tracer.learning.renderer.ray_caster import Renderer
from tracer.learning.scenes.lays import Lay, random_lay
from tracer.learning.scenes.records import MATERIAL, PRIM, TOOL
from tracer.learning.scenes.shapes import CUT, Shape

needs_compiler = pytest.mark.skipif(
    not (shutil.which("g++") or shutil.which("clang++")), reason="needs a C++ compiler"
)
SIZE, HEIGHT, RADIUS = 96, 30.0, 20.0
CAMERA = np.array([-300.0, 0.0, 1000.0])


@pytest.fixture(scope="module")
def renderer() -> Renderer:
    return Renderer(gpu=False)


def lay_of(shape: Shape) -> Lay:
    """A lay with one thing at the origin and nothing else."""
    lay = random_lay(np.random.default_rng(1), SIZE)
    scene = lay.scene.copy()
    scene["cam"], scene["n_tools"], scene["n_cards"] = CAMERA, 1, 0
    scene["throws"] = 0.0
    tool = np.zeros(1, TOOL)
    tool["count"], tool["c"] = len(shape.prims), 1.0
    tool["lo"], tool["hi"] = shape.lo - 0.3, shape.hi + 0.3
    material = np.zeros(1, MATERIAL)
    material["a"], material["rough"], material["f0"] = 0.3, 0.5, 0.04
    return Lay(scene, tool, np.array(shape.prims, PRIM), material)


@needs_compiler
def test_standing_cylinder_is_seen_where_perspective_puts_it(renderer: Renderer) -> None:
    """Silhouette on z = 0: hull of the base disc and of the top disc thrown from the camera."""
    shape = Shape().post(0.0, 0.0, 0.0, HEIGHT, RADIUS, edge=0.05)
    tiles, heights = renderer.render([lay_of(shape)])
    assert heights[0] == pytest.approx(HEIGHT, abs=0.1)
    scale = CAMERA[2] / (CAMERA[2] - HEIGHT)
    disc = Point(0, 0).buffer(RADIUS, quad_segs=64)
    thrown = affinity.scale(disc, scale, scale, origin=tuple(CAMERA[:2]))
    seen = disc.union(thrown).convex_hull
    area = float(tiles.cover[0, ..., 0].sum()) / 4
    assert area == pytest.approx(seen.area, rel=0.01)  # sixteen samples per pixel
    columns = np.flatnonzero((tiles.tool[0] > 0).any(axis=0)) - SIZE / 2
    assert columns[0] == pytest.approx(seen.bounds[0], abs=1.0)
    assert columns[-1] == pytest.approx(seen.bounds[2], abs=1.0)
    # the foot is seen towards the camera, the upper rim away from it
    row = tiles.fraction[0, SIZE // 2]
    known = np.flatnonzero((row >= 0) & (tiles.near_mm[0, SIZE // 2] < 2.5))
    assert row[known[0]] < 0.05
    assert row[known[-1]] > 0.95


@needs_compiler
def test_a_thin_plate_on_its_edge_gives_the_height(renderer: Renderer) -> None:
    """Plates of 2 mm, 75 mm high, on a low body, wherever they stand and along either axis."""
    for at in (-61.3, -20.0, 0.7, 33.9, 80.2):
        for size in ((2.0, 120.0, 75.0), (120.0, 2.0, 75.0)):
            place = (at, 0.0, 37.5) if size[0] < 3 else (0.0, at, 37.5)
            shape = Shape().box((0.0, 0.0, 15.0), (230.0, 230.0, 30.0)).box(place, size)
            _, heights = renderer.render([lay_of(shape)])
            assert heights[0] == pytest.approx(75.0, abs=0.1)


@needs_compiler
def test_a_tool_laid_aslant_reaches_where_the_rotation_puts_it(renderer: Renderer) -> None:
    """A slab leaned by a: its far upper edge at h cos a, its tip lower by length sin a."""
    for across in (False, True):
        size = (4.0, 60.0, 40.0) if across else (60.0, 4.0, 40.0)
        place = (0.0, -30.0, 20.0) if across else (-30.0, 0.0, 20.0)
        shape = Shape().box(place, size, edge=0.0).leaned(0.3, across=across)
        _, heights = renderer.render([lay_of(shape)])
        top = 60 * np.sin(0.3) + 40 * np.cos(0.3)
        assert heights[0] == pytest.approx(top, abs=0.6)
        assert shape.hi[2] == pytest.approx(top, abs=1e-6)


@needs_compiler
def test_lying_bar_is_seen_at_its_tangent(renderer: Renderer) -> None:
    """Height of the tangent point of a bar on the sheet: r (1 + sin a), tan a = rho / H.

    The ray that touches a circle touches it where the radius is square to the ray.
    """
    r = 12.0
    shape = Shape().bar((0.0, -200.0, r), (0.0, 200.0, r), r)
    tiles, _ = renderer.render([lay_of(shape)])
    row = tiles.fraction[0, SIZE // 2]
    known = np.flatnonzero(row >= 0)
    lean = np.arctan(-CAMERA[0] / CAMERA[2])
    for k in (known[0], known[-1]):
        # both tangent rays come from the left: high on the far side, low on the near one
        side = 1 if k > SIZE / 2 else -1
        assert row[k] == pytest.approx((1 + side * np.sin(lean)) / 2, abs=0.03)


@needs_compiler
def test_random_lays_render_to_finite_light(renderer: Renderer) -> None:
    for seed in range(6):
        lay = random_lay(np.random.default_rng(seed), 40, 6.0)
        tiles, heights = renderer.render([lay])
        assert np.isfinite(tiles.light).all()
        assert tiles.light.min() >= 0
        assert len(heights) == len(lay.tools)
        assert set(np.unique(tiles.tool)) <= set(range(len(lay.tools) + 1))


def test_same_seed_draws_the_same_lay() -> None:
    one, two = (random_lay(np.random.default_rng([4, 2]), 64) for _ in range(2))
    for a, b in ((one.scene, two.scene), (one.tools, two.tools), (one.prims, two.prims)):
        assert a.tobytes() == b.tobytes()


@needs_compiler
def test_thread_counts_to_its_crests_and_shows_its_pitch(renderer: Renderer) -> None:
    """ISO 68-1: an external thread is 0.613 pitches deep; a crest and a root per pitch.

    What counts as tool is the rod round the crests; what is lit shows crest and root.
    """
    r, pitch = 10.0, 8.0
    shape = Shape().thread((-40.0, 0.0, r), (40.0, 0.0, r), r, pitch)
    lay = lay_of(shape)
    lay.scene["cam"] = 0, 0, CAMERA[2]  # aslant, one crest would hide the next root
    tiles, _ = renderer.render([lay])
    across = tiles.cover[0, :, SIZE - 50 : SIZE + 50, 0].sum(axis=0) / 2  # mm, per half millimetre
    grown = CAMERA[2] / (CAMERA[2] - r)  # seen at the height of the axis
    np.testing.assert_allclose(across, 2 * r * grown, atol=0.35)
    # the same rod and thread, as light: the sheet is seen between crests, half the depth on average
    rod = lay_of(Shape().rod((-40.0, 0.0, r), (40.0, 0.0, r), r))
    for one in (lay, rod):  # glowing white on a black sheet, nothing mirrored
        one.scene["zenith"], one.scene["n_lights"], one.scene["n_patches"] = 1.0, 0, 0
        one.scene["n_decals"], one.scene["cam"] = 0, (0, 0, CAMERA[2])
        one.scene["ground"]["a"] = one.scene["ground"]["b"] = one.scene["ground"]["c"] = 0.0
        one.scene["ground"]["gloss"] = 0.0
        one.materials["a"], one.materials["f0"] = 0.9, 0.0
    lit, plain = (renderer.render([x])[0].light[0, ..., 1] > 0.002 for x in (lay, rod))
    columns = slice(2 * SIZE - 100, 2 * SIZE + 100)  # quarter millimetres
    gone = (plain.sum(axis=0) - lit.sum(axis=0))[columns] / 4
    # the twist fills roots by a tenth of the depth
    assert gone.mean() == pytest.approx(0.613 * pitch * grown, abs=0.6)
    top = lit[: 2 * SIZE, columns].sum(axis=0)
    spectrum = np.abs(np.fft.rfft(top - top.mean()))
    assert 50 / np.argmax(spectrum) == pytest.approx(pitch * grown, rel=0.1)  # 200 quarter mm


@needs_compiler
def test_what_is_flat_on_the_sheet_is_no_tool(renderer: Renderer) -> None:
    """Seven kinds of print change the picture and none of the targets."""
    lay = lay_of(Shape().post(0.0, 0.0, 0.0, HEIGHT, RADIUS))
    marked = Lay(lay.scene.copy(), lay.tools, lay.prims, lay.materials)
    lay.scene["n_decals"], marked.scene["n_decals"] = 0, 7
    for kind, d in enumerate(marked.scene["decal"][:7]):
        d["kind"], d["c"], d["a"], d["b"], d["strength"] = kind, 1.0, 30.0, 12.0, 1.0
        d["x"], d["y"], d["col"], d["q"] = -30 + 10 * kind, 30, (0.9, 0.0, 0.0), (2.0, 0.5, 0.1)
    (bare, _), (full, _) = renderer.render([lay]), renderer.render([marked])
    for name in ("tool", "cover", "near_mm", "fraction"):
        np.testing.assert_array_equal(getattr(bare, name), getattr(full, name))
    assert (np.abs(bare.light - full.light).max(axis=-1) > 0.01).mean() > 0.05


@needs_compiler
def test_a_bore_is_no_tool_and_a_printed_dot_is(renderer: Renderer) -> None:
    """Through a bore wider than it is deep the sheet is seen; a dark dot hides nothing."""
    bored = Shape().post(0.0, 0.0, 0.0, 2.0, 20.0).post(0.0, 0.0, -3.0, 6.0, 8.0, op=CUT)
    plain = Shape().post(0.0, 0.0, 0.0, 2.0, 20.0)
    (first, _), (second, _) = renderer.render([lay_of(bored)]), renderer.render([lay_of(plain)])
    hole = (second.cover - first.cover)[0, ..., 0].sum() / 4
    # seen aslant, the two rims of the bore are 2 mm * tan(lean) = 0.6 mm apart: a lens
    assert np.pi * 8.0**2 - 0.7 * 16 < hole < np.pi * 8.0**2
