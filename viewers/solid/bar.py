"""The bar below a picture: shear in degrees in the map's colours, the limit marked on it."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from viewers.scene.colours import Colour, colour_table
from viewers.scene.schema import DrapedPly, Scene

HEIGHT, SIDE = 96, 40  # pixels


def with_bar(image: Image.Image, scene: Scene, ply: DrapedPly) -> Image.Image:
    """The picture with a strip below it: the ply, its bar, the limit and the greatest shear."""
    width, height = image.size
    out = Image.new("RGB", (width, height + HEIGHT), Colour.PAPER)
    out.paste(image, (0, 0))
    draw = ImageDraw.Draw(out)
    large, small = font(22), font(17)
    draw.text((SIDE, height + 14), ply["name"], fill=Colour.INK, font=large)
    figures = ply["figures"]
    text = f"{ply['fabric']}, {ply['angle_deg']:g}°, greatest shear {figures['max_shear_deg']:.1f}°"
    draw.text((SIDE, height + 50), text, fill=Colour.INK, font=small)
    left, right = width // 2, width - SIDE
    top, bottom = height + 18, height + 44
    strip = colour_table().astype(np.uint8)[None]
    bar = Image.fromarray(strip).resize((right - left, bottom - top))
    out.paste(bar, (left, top))
    reach = scene["range_deg"]

    def at(angle: float) -> float:
        return left + (right - left) * angle / reach

    for angle in scene["ticks_deg"]:
        draw.line([(at(angle), bottom), (at(angle), bottom + 5)], fill=Colour.INK, width=1)
        draw.text((at(angle), bottom + 7), f"{angle:g}°", fill=Colour.INK, font=small, anchor="ma")
    limit = ply["locking_angle_deg"]
    draw.line([(at(limit), top - 8), (at(limit), bottom + 8)], fill=Colour.INK, width=4)
    draw.text((at(limit) - 8, top - 2), "limit", fill=Colour.WHITE, font=small, anchor="ra")
    return out


def font(size: int) -> ImageFont.FreeTypeFont:
    """The font that comes with matplotlib: the same letters on every machine."""
    return ImageFont.truetype(Path(matplotlib.get_data_path()) / "fonts/ttf/DejaVuSans.ttf", size)
