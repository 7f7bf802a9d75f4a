"""Mistakes that finding tools and their edges invites, each with its proof.

Pictures here are made from plain geometry: supersampled shapes, blurred in linear light, encoded
as sRGB (IEC 61966-2-1) in 8 bits. Where a textbook way steps into the trap, the test does so too.
"""

from __future__ import annotations

import subprocess
import sys
import tracemalloc

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.measure import find_contours

from tests.scene_maker import encode_srgb
from tracer.geometry.closed_rings import signed_area
from tracer.model.view import ScaledPicture
from tracer.segmentation.decide.sheet import FLOOR, fit_sheet
from tracer.segmentation.edge.contours import mask_rings
from tracer.segmentation.edge.profiles import sample_profiles
from tracer.segmentation.edge.refine import MeasuredRing, measure_ring
from tracer.segmentation.separate.cables import without_cables
from tracer.segmentation.separate.splitting import split_along, split_at_necks, split_between
from tracer.segmentation.working_picture.raster import Raster, fit_raster, rectify

Array = NDArray[np.float64]

MM = 0.4  # per px
FINE = 8  # samples per px and axis
SIZE = 200


def picture(
    inside: NDArray[np.bool_],
    tool: float,
    ground: float,
    blur: float,
    *,
    shade: float = 0.0,
    width_px: float = 5.0,
    noise: float = 1.0,
) -> NDArray[np.uint8]:
    """8-bit sRGB picture (SIZE, SIZE, 3) of a fine mask (FINE SIZE, FINE SIZE)."""
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5) / FINE
    light = np.where(inside, tool, ground * (1 - shade * np.exp(-away / width_px)))
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), blur * FINE)
    small = cv2.resize(light, (SIZE, SIZE), interpolation=cv2.INTER_AREA)
    values = encode_srgb(small) + np.random.default_rng(0).normal(0, noise, small.shape)
    return np.repeat(np.clip(np.round(values), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def square(side_px: float) -> NDArray[np.bool_]:
    """A square about the middle, its sides turned by 10 degrees off the pixels."""
    y, x = (np.mgrid[0 : SIZE * FINE, 0 : SIZE * FINE] + 0.5) / FINE - SIZE / 2
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    return (np.abs(c * x + s * y) < side_px / 2) & (np.abs(c * y - s * x) < side_px / 2)


def disc(radius_px: float) -> NDArray[np.bool_]:
    y, x = (np.mgrid[0 : SIZE * FINE, 0 : SIZE * FINE] + 0.5) / FINE - SIZE / 2
    return np.hypot(x, y) < radius_px


def start_ring(radius_px: float, corners: int) -> Array:
    """A regular ring about the picture's middle, in sheet mm, counter-clockwise."""
    plane = ScaledPicture("p", (SIZE, SIZE), MM)
    middle = plane.to_sheet(np.array([[SIZE / 2 - 0.5, SIZE / 2 - 0.5]]))[0]
    t = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    if corners:  # a square, 10 degrees clockwise in the picture's own sense
        shift = np.radians(-10)
        reach = radius_px / np.maximum(np.abs(np.cos(t - shift)), np.abs(np.sin(t - shift)))
    else:
        reach = np.full_like(t, radius_px)
    return np.asarray(middle + MM * reach[:, None] * np.column_stack([np.cos(t), np.sin(t)]))


def measured(pixels: NDArray[np.uint8], ring: Array, blur: float) -> MeasuredRing:
    plane = ScaledPicture("p", (SIZE, SIZE), MM)
    return measure_ring(pixels, plane, ring, step_mm=1.0, search_mm=1.6, sigma_px=blur)


def outward_px(found: MeasuredRing, half_px: float, corners: int) -> Array:
    """Signed distance of the measured points from the true edge, px, corners left out."""
    plane = ScaledPicture("p", (SIZE, SIZE), MM)
    p = plane.to_photo(found.points_mm) - (SIZE / 2 - 0.5)
    if not corners:
        return np.asarray(np.hypot(*p.T) - half_px)
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    u, v = np.abs(c * p[:, 0] + s * p[:, 1]), np.abs(c * p[:, 1] - s * p[:, 0])
    on_side = np.minimum(u, v) < half_px - 8
    return np.asarray((np.maximum(u, v) - half_px)[on_side])


@pytest.mark.parametrize(("tool", "ground"), [(0.04, 0.75), (0.5, 0.03)])
@pytest.mark.parametrize("blur", [0.7, 1.5])
def test_edges_are_measured_in_linear_light(tool: float, ground: float, blur: float) -> None:
    """The half level of 8-bit values lies up to 0.7 px off: dark tools shrink, bright ones grow."""
    pixels = picture(square(90), tool, ground, blur)
    levels = np.sort(pixels[..., 0].ravel())
    half = (float(levels[len(levels) // 50]) + float(levels[-len(levels) // 50])) / 2
    ring = max(find_contours(pixels[..., 0].astype(float), half), key=len)
    side = np.sqrt(abs(signed_area(ring[:-1])))
    assert abs(side - 90) / 2 > 0.25, "the trap is not in the picture"
    error = outward_px(measured(pixels, start_ring(46, 4), blur), 45, 4)
    assert abs(np.median(error)) < 0.08


@pytest.mark.parametrize("start_px", [43, 44, 45, 46, 47])
@pytest.mark.parametrize(("tool", "ground"), [(0.04, 0.75), (0.5, 0.03), (0.9, 0.02)])
def test_a_clean_edge_is_found_from_either_side(
    tool: float, ground: float, start_px: float
) -> None:
    """A blurred edge looks moved to its darker side in logarithms, by 2 px here."""
    error = outward_px(
        measured(picture(square(90), tool, ground, 2.2), start_ring(start_px, 4), 2.2), 45, 4
    )
    # a tenth of a pixel is 0.04 mm here; one that stops short is off by 1.9 px
    assert abs(np.median(error)) < 0.1


def test_contact_shadow_in_a_picture_does_not_pull_the_edge() -> None:
    """One of half depth pulls the steepest place by a quarter pixel, the half level by one."""
    pixels = picture(square(90), 0.04, 0.75, 1.0, shade=0.5)
    error = outward_px(measured(pixels, start_ring(46, 4), 1.0), 45, 4)
    assert abs(np.median(error)) < 0.12


@pytest.mark.parametrize("radius", [12.0, 20.0])
def test_round_edges_do_not_shrink_under_blur(radius: float) -> None:
    """The half level of a blurred disc lies (sigma^2 + 1/12) / 2 r inside its edge."""
    blur = 1.5
    pixels = picture(disc(radius), 0.04, 0.75, blur, noise=0.3)
    error = outward_px(measured(pixels, start_ring(radius + 0.5, 0), blur), radius, 0)
    assert abs(np.median(error)) * MM < 0.1


def test_an_edge_lost_in_shadow_is_marked() -> None:
    """A shadow as dark as the tool itself: no profile shows where the tool ends."""
    lost = picture(square(90), 0.35, 0.75, 1.0, shade=0.8)
    clear = picture(square(90), 0.35, 0.75, 1.0, shade=0.1)
    doubted = measured(lost, start_ring(46, 4), 1.0)
    trusted = measured(clear, start_ring(46, 4), 1.0)
    assert np.median(doubted.confidence) < 0.6 * np.median(trusted.confidence)
    off = np.abs(outward_px(doubted, 45, 4)) * MM
    assert np.median(off) < 2.5 * np.median(doubted.sigma_mm)


def test_a_long_outline_passes_the_limit_of_remap() -> None:
    """OpenCV's remap refuses maps and pictures of more than 32 767 rows (CV_16S, its own limit)."""
    with pytest.raises(cv2.error):
        tall = np.zeros((40_000, 3), np.float32)
        cv2.remap(np.zeros((9, 9), np.float32), tall, tall, cv2.INTER_LINEAR)
    pixels = picture(square(90), 0.04, 0.75, 1.0)
    points = np.tile([[100.0, 55.0], [101.0, 55.0]], (20_000, 1))
    normals = np.tile([[0.0, -1.0]], (40_000, 1))
    light = sample_profiles(pixels, points, normals, 2.0).light
    assert light.shape[0] == 40_000
    assert np.array_equal(light[:2], light[-2:])


def test_a_masks_border_lies_between_its_cells() -> None:
    """OpenCV's findContours runs through the border cells' centres: half a cell too small."""
    y, x = np.mgrid[0:120, 0:120] - 59.5
    cells = np.hypot(x, y) < 40
    topology, _ = cv2.findContours(cells.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert np.sqrt(cv2.contourArea(topology[0]) / np.pi) < 39.6, "the trap is not in the picture"
    ring = mask_rings(cells, (0, 0), Raster(0.0, 0.0, 1.0, (120, 120)))[0]
    assert np.sqrt(signed_area(ring) / np.pi) == pytest.approx(40, abs=0.1)


def lamp_lit(share_of_tools: float) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """White paper (300, 400, 3) under one lamp near a corner, and where dark bars lie on it."""
    y, x = np.mgrid[0:300, 0:400].astype(np.float32)
    light = 0.8 * (1 + ((x + 100) ** 2 + (y + 100) ** 2) / 500**2) ** -1.5
    bars = (x % 40) < 40 * share_of_tools
    bars &= (y > 30) & (y < 270)
    light = np.where(bars, 0.03, light)
    noise = np.random.default_rng(1).normal(0, 0.01, (300, 400, 3))
    return (light[..., None] * np.exp(noise)).astype(np.float32), bars


@pytest.mark.parametrize("share", [0.0, 0.3, 0.5])
def test_a_lamps_fall_off_and_many_tools_leave_the_sheet_flat(share: float) -> None:
    """A mean level, or a plain mean of what half the field shows, is no model of the sheet."""
    linear, bars = lamp_lit(share)
    every = np.ones(bars.shape, np.bool_)
    log = np.log(linear + FLOOR)
    assert (log[~bars] - np.median(log[~bars])).std() > 0.25, "the trap is not in the picture"
    sheet = fit_sheet(log, every, every, 1.0)
    # the picture's own noise is 0.01 per channel
    assert np.sqrt(np.mean(sheet.residual[~bars] ** 2)) < 0.05
    assert not sheet.certain[bars].any()


def stroke(points: list[tuple[int, int]], width: int) -> NDArray[np.bool_]:
    canvas = np.zeros((260, 420), np.uint8)
    cv2.polylines(canvas, [np.array(points, np.int32)], False, 1, width)
    return canvas > 0


BENT = [(40, 200), (120, 60), (220, 190), (320, 60), (390, 200)]


def test_a_bent_cable_is_no_tool_and_a_straight_rod_is() -> None:
    left, cables = without_cables(stroke(BENT, 7), 1.0)
    assert len(cables) == 1 and not left
    rod = stroke([(20, 40), (400, 220)], 7)
    left, cables = without_cables(rod, 1.0)
    assert not cables and np.array_equal(left[0], rod)


def test_a_cable_ends_where_its_tool_begins() -> None:
    body = np.zeros((260, 420), np.bool_)
    body[170:250, 10:80] = True
    left, cables = without_cables(body | stroke(BENT, 7), 1.0)
    assert len(cables) == 1 and len(left) == 1
    # the opening that finds the body rounds its corners by less than the cable's width
    assert (left[0] ^ body).sum() < 0.03 * body.sum()


def two_bodies(apart: int) -> NDArray[np.bool_]:
    """Two discs of radius 40, their centres ``apart``: they meet along a chord."""
    cells = np.zeros((120, 260), np.uint8)
    cv2.circle(cells, (70, 60), 40, 1, -1)
    cv2.circle(cells, (70 + apart, 60), 40, 1, -1)
    return cells > 0


def test_a_narrow_neck_parts_and_a_shank_does_not() -> None:
    # chords of 2 sqrt(40^2 - (apart / 2)^2): 12.6 of 80 wide, and 63
    assert len(split_at_necks(two_bodies(79), 1.0)) == 2
    assert len(split_at_necks(two_bodies(50), 1.0)) == 1
    # one tool with two thick ends: as narrow in between, but for long
    shank = two_bodies(105)
    shank[56:64, 70:175] = True
    assert len(split_at_necks(shank, 1.0)) == 1


def test_parts_lose_no_cell() -> None:
    cells = two_bodies(79)
    by_line = split_along(cells, [np.array([[109.0, 0.0], [109.0, 119.0]])])
    by_points = split_between(cells, [(70, 60), (149, 60)], np.zeros(cells.shape, np.float32))
    for parts in (by_line, by_points, split_at_necks(cells, 1.0)):
        assert len(parts) == 2
        assert np.array_equal(parts[0] | parts[1], cells)
        assert not (parts[0] & parts[1]).any()
    # a point for each body: the line runs through the neck, not through a body
    assert {int(p[60, 70]) + 2 * int(p[60, 149]) for p in by_points} == {1, 2}
    assert by_points[0].sum() == pytest.approx(by_points[1].sum(), rel=0.03)


def test_no_floating_picture_of_full_size_is_held() -> None:
    """Three single-precision channels of 48 megapixels are 580 MB."""
    pixels = np.zeros((3000, 4000, 3), np.uint8)
    plane = ScaledPicture("p", (4000, 3000), 0.25)
    raster = fit_raster(plane, 1.0)
    tracemalloc.start()
    rectify(pixels, plane, raster)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # the working picture itself is 9 MB, a strip less; the full one would be 144 MB
    assert peak < pixels.nbytes


def test_importing_leaves_opencvs_threads_alone() -> None:
    """How many cores to use is the program's business, and pools multiply."""
    code = (
        "import cv2; cv2.setNumThreads(3); import tracer, tracer.segmentation, tracer.calibration;"
        "print(cv2.getNumThreads())"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "3"
