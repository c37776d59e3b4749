"""Two kinds of paper to draw a pad sheet on: PDF (reportlab) and PNG (Pillow).

Both take millimetres from the page's top left corner and letter heights in mm
of a capital, and use the same font files, so that a page looks the same on
either. The letters are Fira Sans Condensed (SIL Open Font License 1.1), from a
package, so that no system font decides how a sheet looks; without that package
they are the Bitstream Vera that reportlab ships. Characters that the font lacks
are written without their accents, or as ``?``, and remembered in ``lacking``.

Classes: ``Ink`` (what they all can do), ``PdfInk``, ``PngInk``, ``DryInk``.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, Protocol

from PIL import Image, ImageDraw, ImageFont
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from padbank.files.letters import Weight, find_fonts
from padbank.sheetdata import DAY, NIGHT

Anchor = Literal["left", "middle", "right"]
Point = tuple[float, float]

MM_TO_POINTS = 72 / 25.4
SUPERSAMPLE = 2


class Ink(Protocol):
    """What a page can be drawn with."""

    lacking: set[str]
    night: bool

    def polygon(
        self,
        points: Sequence[Point],
        fill: str | None = None,
        stroke: str | None = None,
        width_mm: float = 0.3,
    ) -> None: ...

    def line(self, points: Sequence[Point], colour: str, width_mm: float) -> None: ...

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        cap_mm: float,
        colour: str,
        anchor: Anchor = "left",
        weight: Weight = "bold",
    ) -> None: ...

    def width(self, text: str, cap_mm: float, weight: Weight = "bold") -> float: ...

    def new_page(self) -> None: ...


class _Letters:
    """Shared between both: fonts, widths and characters that are not there."""

    def __init__(self, night: bool = False) -> None:
        self.night = night
        self.palette = NIGHT if night else DAY
        self.files, self.cap_share = find_fonts()
        self.lacking: set[str] = set()
        self.names: dict[Weight, str] = {}
        self._covered: dict[Weight, frozenset[int]] = {}
        for weight, path in self.files.items():
            name = f"padbank-{path.stem}"
            if name not in pdfmetrics.getRegisteredFontNames():
                pdfmetrics.registerFont(TTFont(name, str(path)))
            self.names[weight] = name
            self._covered[weight] = frozenset(pdfmetrics.getFont(name).face.charToGlyph)

    def colour(self, name: str) -> str:
        """``#RRGGBB`` of a colour of the page, or the colour itself."""
        return self.palette.get(name, name)

    def known(self, text: str, weight: Weight) -> str:
        """The text in characters that the font has."""
        covered = self._covered[weight]
        out = []
        for char in unicodedata.normalize("NFC", text):
            if ord(char) in covered:
                out.append(char)
                continue
            self.lacking.add(char)
            bare = [c for c in unicodedata.normalize("NFKD", char) if ord(c) in covered]
            out.append("".join(bare) or "?")
        return "".join(out)

    def width(self, text: str, cap_mm: float, weight: Weight = "bold") -> float:
        """Width in mm at this height of capitals."""
        size = cap_mm / self.cap_share
        return float(pdfmetrics.stringWidth(self.known(text, weight), self.names[weight], size))


class DryInk(_Letters):
    """Draws nothing and remembers everything: for trying a page out, and for tests.

    ``marks`` holds ``(kind, page, values)`` in the order of drawing.
    """

    def __init__(self, night: bool = False) -> None:
        super().__init__(night)
        self.page = 0
        self.marks: list[tuple[str, int, dict[str, Any]]] = []

    def _note(self, kind: str, **values: Any) -> None:
        self.marks.append((kind, self.page, values))

    def polygon(
        self,
        points: Sequence[Point],
        fill: str | None = None,
        stroke: str | None = None,
        width_mm: float = 0.3,
    ) -> None:
        self._note(
            "polygon",
            points=list(points),
            fill=fill and self.colour(fill),
            stroke=stroke and self.colour(stroke),
            width_mm=width_mm,
        )

    def line(self, points: Sequence[Point], colour: str, width_mm: float) -> None:
        self._note("line", points=list(points), colour=self.colour(colour), width_mm=width_mm)

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        cap_mm: float,
        colour: str,
        anchor: Anchor = "left",
        weight: Weight = "bold",
    ) -> None:
        wide = self.width(text, cap_mm, weight)
        left = x_mm - {"left": 0.0, "middle": wide / 2, "right": wide}[anchor]
        self._note(
            "text",
            text=text,
            left=left,
            right=left + wide,
            base=y_mm,
            cap_mm=cap_mm,
            colour=self.colour(colour),
        )

    def new_page(self) -> None:
        self.page += 1


class PdfInk(_Letters):
    """Draws into a PDF; the same drawing gives the same bytes (no date, no random identifier)."""

    def __init__(
        self, path: Path, w_mm: float, h_mm: float, title: str, night: bool = False
    ) -> None:
        super().__init__(night)
        self.h_mm = h_mm
        self.canvas = Canvas(
            str(path),
            pagesize=(w_mm * MM_TO_POINTS, h_mm * MM_TO_POINTS),
            invariant=1,
            pageCompression=1,
        )
        self.canvas.setTitle(title)
        self.canvas.setCreator("padbank")
        self.canvas.setLineJoin(1)
        self.canvas.setLineCap(1)

    def _at(self, x_mm: float, y_mm: float) -> Point:
        return x_mm * MM_TO_POINTS, (self.h_mm - y_mm) * MM_TO_POINTS

    def polygon(
        self,
        points: Sequence[Point],
        fill: str | None = None,
        stroke: str | None = None,
        width_mm: float = 0.3,
    ) -> None:
        path = self.canvas.beginPath()
        path.moveTo(*self._at(*points[0]))
        for point in points[1:]:
            path.lineTo(*self._at(*point))
        path.close()
        if fill:
            self.canvas.setFillColor(self.colour(fill))
        if stroke:
            self.canvas.setStrokeColor(self.colour(stroke))
            self.canvas.setLineWidth(width_mm * MM_TO_POINTS)
        self.canvas.drawPath(path, fill=bool(fill), stroke=bool(stroke))

    def line(self, points: Sequence[Point], colour: str, width_mm: float) -> None:
        path = self.canvas.beginPath()
        path.moveTo(*self._at(*points[0]))
        for point in points[1:]:
            path.lineTo(*self._at(*point))
        self.canvas.setStrokeColor(self.colour(colour))
        self.canvas.setLineWidth(width_mm * MM_TO_POINTS)
        self.canvas.drawPath(path, fill=False, stroke=True)

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        cap_mm: float,
        colour: str,
        anchor: Anchor = "left",
        weight: Weight = "bold",
    ) -> None:
        text = self.known(text, weight)
        self.canvas.setFont(self.names[weight], cap_mm / self.cap_share * MM_TO_POINTS)
        self.canvas.setFillColor(self.colour(colour))
        x, y = self._at(x_mm, y_mm)
        draw = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[anchor]
        draw(x, y, text)

    def new_page(self) -> None:
        self.canvas.showPage()
        self.canvas.setLineJoin(1)
        self.canvas.setLineCap(1)

    def save(self) -> None:
        self.canvas.showPage()
        self.canvas.save()


class PngInk(_Letters):
    """Draws pages into pictures; ``save`` puts them below one another in one PNG."""

    def __init__(
        self, path: Path, w_mm: float, h_mm: float, dots_per_mm: float, night: bool = False
    ) -> None:
        super().__init__(night)
        self.path = path
        self.scale = dots_per_mm * SUPERSAMPLE
        self.size = (int(w_mm * dots_per_mm + 0.5), int(h_mm * dots_per_mm + 0.5))
        self.pages: list[Image.Image] = []
        self._fonts: dict[tuple[Weight, int], ImageFont.FreeTypeFont] = {}
        self._begin()

    def _begin(self) -> None:
        w, h = self.size
        self.image = Image.new("RGB", (w * SUPERSAMPLE, h * SUPERSAMPLE), "white")
        self.draw = ImageDraw.Draw(self.image)

    def _at(self, point: Point) -> Point:
        return point[0] * self.scale, point[1] * self.scale

    def polygon(
        self,
        points: Sequence[Point],
        fill: str | None = None,
        stroke: str | None = None,
        width_mm: float = 0.3,
    ) -> None:
        if fill:
            self.draw.polygon([self._at(point) for point in points], fill=self.colour(fill))
        if stroke:
            self.line([*points, points[0], points[1]], stroke, width_mm)

    def line(self, points: Sequence[Point], colour: str, width_mm: float) -> None:
        width = max(1, int(width_mm * self.scale + 0.5))
        self.draw.line(
            [self._at(point) for point in points],
            fill=self.colour(colour),
            width=width,
            joint="curve",
        )

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        cap_mm: float,
        colour: str,
        anchor: Anchor = "left",
        weight: Weight = "bold",
    ) -> None:
        size = max(1, int(cap_mm / self.cap_share * self.scale + 0.5))
        key = (weight, size)
        if key not in self._fonts:
            self._fonts[key] = ImageFont.truetype(
                str(self.files[weight]), size, layout_engine=ImageFont.Layout.BASIC
            )
        corner = {"left": "ls", "middle": "ms", "right": "rs"}[anchor]
        self.draw.text(
            self._at((x_mm, y_mm)),
            self.known(text, weight),
            fill=self.colour(colour),
            font=self._fonts[key],
            anchor=corner,
        )

    def new_page(self) -> None:
        self.pages.append(self.image.resize(self.size, Image.Resampling.BOX))
        self._begin()

    def save(self) -> None:
        self.new_page()
        w, h = self.size
        sheet = Image.new("RGB", (w, h * len(self.pages)), "white")
        for index, page in enumerate(self.pages):
            sheet.paste(page, (0, index * h))
        dots_per_inch = self.scale / SUPERSAMPLE * 25.4
        sheet.save(self.path, "PNG", dpi=(dots_per_inch, dots_per_inch))
