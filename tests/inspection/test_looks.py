"""What each spot would show, ray by ray, and the figures read from made-up light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from tests.panel.bench import bar, drawer, panel_of, plan, row_of_bars, tool
from tracer.inspection.cells import Cells, PocketCells, cells_of
from tracer.inspection.light import FLOOR
from tracer.inspection.looks import Looks, floor_over_face, looks_of, tone_of_floors
from tracer.inspection.pattern import linear_rgb
from tracer.model.panel import Panel

Array = NDArray[np.float64]
TALL_MM = 60.0
#: linear reflectance of bare steel and of a black grip: common practice, no source
STEEL, BLACK = (0.45, 0.45, 0.46), (0.02, 0.02, 0.02)


@pytest.fixture(scope="module")
def panel() -> Panel:
    return panel_of(row_of_bars(3), plan(drawer(460, 320)))


@pytest.fixture(scope="module")
def tall() -> Panel:
    return panel_of(row_of_bars(3, height_mm=TALL_MM), plan(drawer(460, 320)))


def camera_at(panel: Panel, tilt_deg: float, away_mm: float = 900.0) -> Array:
    """Aslant from the left, over the second pocket."""
    x, y = panel.pockets[1].region.centroid.coords[0]
    tilt = np.radians(tilt_deg)
    return np.array([x - away_mm * np.sin(tilt), y, away_mm * np.cos(tilt)])


def along_rays(cells: Cells, mask: NDArray[np.bool_], camera: Array, z_mm: float) -> Array:
    """Where the rays to the cells of a mask are at a height."""
    at = cells.points_mm()[mask.ravel()]
    return np.asarray(camera[:2] + (at - camera[:2]) * (camera[2] - z_mm) / camera[2])


def passes_over(
    panel: Panel,
    cells: Cells,
    mask: NDArray[np.bool_],
    camera: Array,
    *,
    foam: bool = False,
    higher_mm: float = 0.0,
) -> Array:
    """Which rays meet the second tool between its foot, or the foam's face, and its top."""
    pocket = panel.pockets[1]
    met = np.zeros(int(mask.sum()), bool)
    foot, top = 0.0 if foam else -pocket.depth_mm, pocket.proud_mm + higher_mm
    for z in np.linspace(foot, top, 80):
        met |= shapely.contains_xy(pocket.outline, *along_rays(cells, mask, camera, z).T)
    return met


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 33.0])
def test_what_a_spot_shows_agrees_with_its_ray(tall: Panel, tilt_deg: float) -> None:
    camera = camera_at(tall, tilt_deg)
    cells = cells_of(tall, 1, camera)
    pocket = tall.pockets[1]
    assert cells.tool.sum() > 200 and cells.beside.sum() > 200
    assert passes_over(tall, cells, cells.tool, camera).all()
    for bare in (cells.beside, cells.ring, cells.notch):
        assert not passes_over(tall, cells, bare, camera, foam=True).any()
    floor = along_rays(cells, cells.tool | cells.gap, camera, -pocket.depth_mm)
    assert shapely.contains_xy(pocket.region, *floor.T).all()
    wall = along_rays(cells, cells.wall, camera, -pocket.depth_mm)
    assert not shapely.contains_xy(pocket.region, *wall.T).any()
    assert passes_over(tall, cells, cells.lean, camera).all()


def test_a_height_typed_a_tenth_too_low_is_no_cover_beside_the_pocket(tall: Panel) -> None:
    camera = camera_at(tall, 25.0)
    cells = cells_of(tall, 1, camera)
    for bare in (cells.beside, cells.ring):
        higher = 0.1 * TALL_MM + 4.0  # and the margin that a tool shoved about needs
        assert not passes_over(tall, cells, bare, camera, foam=True, higher_mm=higher).any()


def test_no_height_of_a_tower_shows_beside_it() -> None:
    """A pump as high as a forearm, far aslant: its silhouettes leave no gaps between them."""
    thin = [tool(bar(8.0), n + 1, 80.0 * n, 0.0, height_mm=240.0) for n in range(3)]
    tower = panel_of(thin, plan(drawer(460, 320)))
    camera = camera_at(tower, 33.0)
    x, y = tower.pockets[1].region.centroid.coords[0]
    along = np.array([x, y - (x - camera[0]), camera[2]])  # aslant along the bar, over its end
    for at in (camera, along):
        cells = cells_of(tower, 1, at)
        for bare in (cells.beside, cells.ring):
            assert not passes_over(tower, cells, bare, at, foam=True).any()


def test_a_tall_tool_leans_over_the_face_and_a_flat_one_does_not(panel: Panel, tall: Panel) -> None:
    camera = camera_at(tall, 30.0)
    leaning, flat = cells_of(tall, 1, camera), cells_of(panel, 1, camera_at(panel, 30.0))
    # the shadow of a height h under the slope of the view: h tan(tilt), along the whole bar
    length, h = 160.0, tall.pockets[1].proud_mm
    assert 0.5 < leaning.lean.sum() / (length * h * np.tan(np.radians(30))) < 1.1
    assert flat.lean.sum() < 0.2 * leaning.lean.sum()


def read_of(
    panel: Panel,
    cells: Cells,
    shown: tuple[tuple[NDArray[np.bool_], Array | tuple[float, ...]], ...],
    exposure: float = 1.0,
) -> PocketCells:
    """A read of a face in full light with some spots of other linear light."""
    face = exposure * linear_rgb(panel.plies[0].stock.rgb)
    light = np.broadcast_to(face, (*cells.tool.shape, 3)).copy()
    for mask, rgb in shown:
        light[mask] = rgb
    face_log = np.broadcast_to(np.log(face + FLOOR), light.shape)
    log = np.log(light + FLOOR)
    unlike = np.linalg.norm(log - face_log, axis=2) / 0.1
    return PocketCells(cells, log, log - face_log, face_log, unlike, 2.0, 1.0)


def figures(panel: Panel, cells: Cells, *shown: tuple[NDArray[np.bool_], object]) -> Looks:
    read = read_of(panel, cells, shown)  # type: ignore[arg-type]
    found = looks_of(read, floor_over_face(panel, panel.pockets[1]), 0.05)
    assert found is not None
    return found


def pocket_of(cells: Cells) -> NDArray[np.bool_]:
    return cells.tool | cells.gap


@pytest.mark.parametrize("shade", [1.0, 0.3, 0.07])
def test_a_floor_in_its_walls_shade_stays_a_floor(panel: Panel, shade: float) -> None:
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    floor = linear_rgb((240, 210, 20))
    left = np.arange(cells.tool.shape[1]) < cells.tool.shape[1] / 2
    pocket = pocket_of(cells)
    empty = figures(panel, cells, (pocket, floor), (pocket & left, shade * floor))
    assert empty.toned > 0.97 and empty.floor > 0.9
    assert empty.foreign == 0 and empty.lack == pytest.approx(np.log1p(cells.tool.sum()), abs=0.2)
    for steel in (STEEL, BLACK):
        full = figures(panel, cells, (pocket, shade * np.array(steel)))
        # what is black in deep shade is too dark to say, and no floor either
        assert full.toned < 0.1 or full.dark > 0.9, steel
        assert full.floor < 0.1 and full.lack == 0, steel


def test_noise_in_the_shade_does_not_hide_the_floor(panel: Panel) -> None:
    """A phone's noise in the dark, about 0.003 of white: common practice, no source."""
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    noise = np.random.default_rng(1).normal(0, 0.003, (*cells.tool.shape, 3))
    pocket = pocket_of(cells)
    shaded = np.maximum(0.07 * linear_rgb((240, 210, 20)) + noise, 0)[pocket]
    assert figures(panel, cells, (pocket, shaded)).toned > 0.9
    grey = np.maximum(0.07 * np.array(STEEL) + noise, 0)[pocket]
    assert figures(panel, cells, (pocket, grey)).toned < 0.1


def test_what_lies_across_a_pocket_is_told_from_its_floor(panel: Panel) -> None:
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    rows = np.arange(cells.tool.shape[0])[:, None]
    middle = np.abs(rows - len(rows) / 2) < 12
    found = figures(
        panel, cells, (pocket_of(cells), linear_rgb((240, 210, 20))), (middle & cells.tool, STEEL)
    )
    assert np.expm1(found.foreign) == pytest.approx((middle & cells.tool).sum(), rel=0.15)
    assert found.lack > 6


def test_letters_are_no_cover_and_a_thing_beside_the_pocket_is(panel: Panel) -> None:
    camera = camera_at(panel, 5.0)
    cells = cells_of(panel, 1, camera)
    pocket = panel.pockets[1]
    assert pocket.label is not None
    at = cells.points_mm().reshape(*cells.tool.shape, 2)
    label = pocket.label

    def letters(dy: float) -> NDArray[np.bool_]:
        x, y = at[..., 0] - label.x_mm, at[..., 1] - label.y_mm - dy
        return (x > 0) & (x < 0.8 * len(label.text) * 4.0) & (y > 0) & (y < label.cap_height_mm)

    full = (pocket_of(cells), STEEL)
    plain = figures(panel, cells, full)
    written = figures(panel, cells, full, (letters(0.0), (0.6, 0.6, 0.6)))
    assert (written.beyond, written.cover) == (plain.beyond, plain.cover) == (0.0, 0.0)
    # without a label there the same patch is something that lies in front
    bare = replace(panel, pockets=tuple(replace(p, label=None) for p in panel.pockets))
    unlabelled = cells_of(bare, 1, camera)
    assert figures(bare, unlabelled, full, (letters(0.0), (0.6, 0.6, 0.6))).beyond > 0.02


def test_room_for_fingers_in_deep_shade_is_not_hidden_and_under_a_tool_is(panel: Panel) -> None:
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    face = linear_rgb(panel.plies[0].stock.rgb)
    assert cells.notch.sum() > 100
    full = (pocket_of(cells), STEEL)
    assert figures(panel, cells, full, (cells.notch, 0.05 * face)).notch < 0.05
    assert figures(panel, cells, full, (cells.notch, STEEL)).notch > 0.95


def test_a_shared_slot_counts_for_its_neighbours_too(panel: Panel) -> None:
    first, second = panel.pockets[0], panel.pockets[1]
    shared = replace(second.notches[0], shared_with=(second.pocket_id,))
    moved = (replace(first, notches=(shared,)), replace(second, notches=()), panel.pockets[2])
    cells = cells_of(replace(panel, pockets=moved), 1, camera_at(panel, 5.0))
    assert cells.notch.sum() > 100


def test_a_deep_narrow_pocket_hides_its_floor_from_aside(panel: Panel) -> None:
    pocket = panel.pockets[1]
    deep = replace(pocket, depth_mm=80.0)
    pockets = (panel.pockets[0], deep, panel.pockets[2])
    cells = cells_of(replace(panel, pockets=pockets), 1, camera_at(panel, 33.0))
    assert read_of(panel, cells, ()).hides_floor()
    assert not read_of(panel, cells_of(panel, 1, camera_at(panel, 5.0)), ()).hides_floor()


def test_what_is_burnt_out_is_counted(panel: Panel) -> None:
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    left = np.arange(cells.tool.shape[1]) < cells.tool.shape[1] / 2
    white = (cells.tool & left, (0.98, 0.97, 0.99))
    read = read_of(panel, cells, ((cells.tool, STEEL), white))
    assert read.burnt() == pytest.approx((cells.tool & left).sum() / cells.tool.sum())
    assert read_of(panel, cells, ((cells.tool, (0.99, 0.98, 0.4)),)).burnt() == 0


@pytest.mark.parametrize("blue", [0.006, 0.009, 0.012])
def test_a_yellow_floor_burnt_out_by_a_flash_stays_a_floor(panel: Panel, blue: float) -> None:
    """Red and green are at their white end; what little blue there is is mostly noise."""
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    over = floor_over_face(panel, panel.pockets[1])

    def seen(*rgb: float) -> Looks:
        found = looks_of(read_of(panel, cells, ((pocket_of(cells), rgb),), 1.2), over, 0.05)
        assert found is not None
        return found

    floor = seen(0.99, 0.96, blue)
    assert floor.toned > 0.9 and floor.floor > 0.2 and floor.tone_off < 0.4
    # steel burnt out, in a lamp's light or not, and an amber grip are no yellow floor
    for rgb in ((0.99, 0.98, 0.97), (1.0, 0.95, 0.6), (0.99, 0.93, 0.08)):
        full = seen(*rgb)
        assert full.toned < 0.1 and full.floor < 0.05 and full.tone_off > 0.5, rgb


def test_a_tool_of_a_like_colour_is_not_the_floor_where_floors_are_burnt_out(panel: Panel) -> None:
    cells = cells_of(panel, 1, camera_at(panel, 5.0))
    typed = floor_over_face(panel, panel.pockets[1])
    floor = np.minimum(1.4 * linear_rgb((240, 210, 20)), 1.0)
    burnt = read_of(panel, cells, ((pocket_of(cells), floor),), 1.2)
    amber = read_of(panel, cells, ((pocket_of(cells), (0.65, 0.42, 0.012)),), 1.2)
    alone = tone_of_floors([amber], typed)
    assert abs(np.log(alone / typed)).max() > 0.1  # near enough to be taken for a floor
    assert np.log(tone_of_floors([burnt, burnt, amber], typed) / typed) == pytest.approx(0, abs=0.1)
