"""The flat map of a ply by itself (viewers/flat_map): colours, places, what is drawn over them."""

import io

import numpy as np
import pytest
from PIL import Image, ImageColor

from viewers.flat_map import BAR, FRAME, SIZE, flat_map
from viewers.scene.colours import Colour, colours_of

TOP, LIMIT = 50.0, 45.0
CORNERS = np.array([[-60.0, -30.0], [60.0, -30.0], [60.0, 30.0], [-60.0, 30.0]])


def square_ply(shear, **more):
    """A ply of 120 by 60 mm in two triangles."""
    return {
        "sheet": {
            "flat": CORNERS,
            "triangles": np.array([[0, 1, 2], [0, 2, 3]]),
            "shear_deg": np.asarray(shear, float),
        },
        "locking_angle_deg": LIMIT,
        "pattern": {"outline": CORNERS, "holes": [], "marks": []},
        "strokes": [],
        **more,
    }


def pixels(ply):
    image = Image.open(io.BytesIO(flat_map(ply, TOP)))
    assert image.size == SIZE
    return np.asarray(image).astype(int)


def at(image, x, y):
    """The pixel at a place (mm) of ``square_ply``: 120 mm fill the frame's width."""
    (left, low), (right, high) = FRAME
    scale = (right - left) / 120.0
    return image[
        round(SIZE[1] - (0.5 * (low + high) + scale * y)), round(0.5 * (left + right) + scale * x)
    ]


@pytest.mark.parametrize("shear", [0.0, -20.0, 44.0])
def test_an_even_shear_has_its_one_colour(shear):
    image = pixels(square_ply([shear] * 4))
    wanted = colours_of(np.array([shear]), TOP)[0]
    for x, y in ((-50.0, -20.0), (50.0, 20.0), (-10.0, 25.0)):
        assert np.abs(at(image, x, y) - wanted).max() <= 1


def test_what_is_greater_lies_where_it_is_greater():
    image = pixels(square_ply([20.0, 32.0, 32.0, 20.0]))  # grows to the right
    for x in (-40.0, 40.0):
        wanted = colours_of(np.array([26.0 + x / 10.0]), TOP)[0]
        assert np.abs(at(image, x, 20.0) - wanted).max() < 4
    # up is up: weft counts upward
    upper = pixels(square_ply([0.0, 0.0, 40.0, 40.0]))
    assert at(upper, 10.0, 25.0)[0] > at(upper, 10.0, -25.0)[0] + 50


def test_limit_outline_start_and_bar_are_drawn():
    ink, mark = (np.array(ImageColor.getrgb(c)) for c in (Colour.INK, Colour.MARK))
    image = pixels(square_ply([0.0, 50.0, 50.0, 0.0]))
    limit_x = -60.0 + 120.0 * LIMIT / 50.0
    assert np.abs(at(image, limit_x, 15.0) - ink).max() < 40
    assert np.abs(at(image, 30.0, 30.0) - ink).max() < 40  # the outline
    assert np.abs(at(image, 0.0, 0.0) - mark).max() < 10
    (left, low), (right, high) = BAR
    middle = image[round(SIZE[1] - 0.5 * (low + high))]
    assert np.abs(middle[round(left + (right - left) * LIMIT / TOP)] - ink).max() < 10
    for share in (0.1, 0.5, 0.8):
        wanted = colours_of(np.array([share * TOP]), TOP)[0]
        assert np.abs(middle[round(left + (right - left) * share)] - wanted).max() < 6


def test_strokes_and_numbers_stay_on_the_picture():
    """Its arrow leads out of the pattern: the map gets smaller, and nothing is cut off."""
    stroke = {
        "number": 12,
        "flat": np.array([[0.0, 0.0], [0.0, 29.0]]),
        "pull_flat": np.array([0.0, 9.0]),
    }
    ply = square_ply([10.0] * 4, strokes=[stroke])
    ply["pattern"]["marks"] = [{"flat": c, "number": k} for k, c in enumerate(CORNERS, 1)]
    image = pixels(ply)
    rim = np.concatenate([image[:8].reshape(-1, 3), image[:, :8].reshape(-1, 3)])
    assert (rim == 255).all()
    assert (np.abs(image - ImageColor.getrgb(Colour.MARK)).max(axis=2) < 10).sum() > 500
    assert flat_map(ply, TOP) == flat_map(ply, TOP)
