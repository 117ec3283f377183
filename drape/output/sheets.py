"""Lay-up sheets: the pages that go to the bench, one for each ply in the order of lay-up.

A page has pictures of the ply, its figures, its risks, and the strokes in which to press it
down. The cautions are on the first page only.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    Flowable,
    Image,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
)

from drape.errors import plain
from drape.output.page_marks import binary_streams, printable

INK, SOFT, MARK, LINE = "#22303a", "#63707a", "#c8502a", "#d3ccbe"
MARGIN, WIDTH = 15.0, 180.0  # mm
TALLEST = 110.0  # mm, of a picture
TEXT = ParagraphStyle("text", fontName="Helvetica", fontSize=10, leading=13, textColor=INK)
HEAD = ParagraphStyle("head", TEXT, fontName="Helvetica-Bold", fontSize=16, leading=20)
SUB = ParagraphStyle("sub", TEXT, fontName="Helvetica-Bold", spaceBefore=7, spaceAfter=2)
RISK = ParagraphStyle("risk", TEXT, leftIndent=8, borderColor=MARK)
SMALL = ParagraphStyle("small", TEXT, fontSize=8.5, leading=11, textColor=SOFT)


@dataclass(frozen=True)
class PlySheet:
    """What one page says.

    Attributes
    ----------
    heading : str
    facts : tuple of (name, value)
    pictures : tuple of PNG, side by side
    strokes : tuple of str
        What to do in each, in order.
    risks : tuple of str
    cut : bool
        Whether the ply may be cut; if not, the page says so.
    """

    heading: str
    facts: tuple[tuple[str, str], ...]
    pictures: tuple[bytes, ...]
    strokes: tuple[str, ...]
    risks: tuple[str, ...]
    cut: bool = True


def to_sheets(
    sheets: Sequence[PlySheet], title: str, footer: str, cautions: Sequence[str]
) -> bytes:
    """A PDF of A4 pages; the same bytes for the same sheets.

    Parameters
    ----------
    sheets : in the order of lay-up
    title : the job's
    footer : under every page
    cautions : on the first page
    """
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out, pagesize=A4, title=printable(plain(title)), invariant=1, author="plywright",
        leftMargin=MARGIN * mm, rightMargin=MARGIN * mm, topMargin=MARGIN * mm,
        bottomMargin=MARGIN * mm,
    )  # fmt: skip
    story: list[Flowable] = [_text(title, HEAD), Spacer(1, 2 * mm)]
    story += [_text(line, SMALL) for line in cautions]
    story.append(Spacer(1, 4 * mm))
    for number, sheet in enumerate(sheets):
        if number:
            story.append(PageBreak())
        story += _page(sheet)

    def under(canvas, _document) -> None:
        canvas.setFont("Helvetica", 8)
        canvas.setFillColor(HexColor(SOFT))
        canvas.drawString(MARGIN * mm, 8 * mm, printable(plain(footer)))
        canvas.drawRightString((MARGIN + WIDTH) * mm, 8 * mm, str(canvas.getPageNumber()))

    with binary_streams():
        document.build(story, onFirstPage=under, onLaterPages=under)
    return out.getvalue()


def _text(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(printable(plain(text).replace("−", "-"))), style)


def _page(sheet: PlySheet) -> list[Flowable]:
    out: list[Flowable] = [_text(sheet.heading, HEAD), Spacer(1, 2 * mm)]
    if not sheet.cut:
        out.append(_text("Don't cut this ply: its checks failed.", SUB))
    if sheet.pictures:
        width = WIDTH / len(sheet.pictures)
        images = [_picture(content, width - 2.0) for content in sheet.pictures]
        row = Table([images], colWidths=[width * mm] * len(images), hAlign="LEFT")
        row.setStyle([("LEFTPADDING", (0, 0), (-1, -1), 0), ("VALIGN", (0, 0), (-1, -1), "TOP")])
        out += [row, Spacer(1, 3 * mm)]
    rows = [[_text(name, SMALL), _text(value, TEXT)] for name, value in sheet.facts]
    if rows:
        table = Table(rows, colWidths=[45 * mm, (WIDTH - 45) * mm], hAlign="LEFT")
        table.setStyle([("LINEBELOW", (0, 0), (-1, -1), 0.3, HexColor(LINE)),
                        ("VALIGN", (0, 0), (-1, -1), "TOP"),
                        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5)])  # fmt: skip
        out.append(table)
    if sheet.risks:
        out.append(KeepTogether([_text("Watch for", SUB), *(_text(r, RISK) for r in sheet.risks)]))
    if sheet.strokes:
        lines = [_text(f"{k}. {text}", TEXT) for k, text in enumerate(sheet.strokes, 1)]
        out.append(_text("Press it down in this order", SUB))
        out += lines
    return out


def _picture(content: bytes, width: float) -> Image:
    """``width`` mm wide, or as high as there is room for."""
    image = Image(io.BytesIO(content), hAlign="LEFT")
    scale = min(width * mm / image.imageWidth, TALLEST * mm / image.imageHeight)
    image.drawWidth, image.drawHeight = scale * image.imageWidth, scale * image.imageHeight
    return image
