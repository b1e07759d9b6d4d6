"""Words, lines and pictures on a page: embedded fonts, wrapping, and no metadata but the title.

Lengths are mm from the page's left and top edge, font sizes points; a text's place is that of its baseline.
"""

from collections.abc import Iterator
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

from grindcheck import __version__

Face = Literal["roman", "bold", "italic", "plain"]

SIZES_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

_POINT_MM = 25.4 / 72
_FILES: dict[Face, str] = {
    "roman": "STIXGeneral.ttf",
    "bold": "STIXGeneralBol.ttf",
    "italic": "STIXGeneralItalic.ttf",
    "plain": "DejaVuSans.ttf",
}  # as matplotlib brings them along, free to embed
_ELSE: tuple[Face, ...] = ("roman", "plain")  # where a sign is taken from that the wanted font lacks


@cache
def _faces() -> dict[Face, Any]:
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    faces = {face: TTFont(f"grindcheck-{face}", str(folder / file)) for face, file in _FILES.items()}
    for font in faces.values():
        pdfmetrics.registerFont(font)
    return faces


def width_mm(text: str, face: Face, size: float) -> float:
    """Width of a text set in one line."""
    points = sum(float(_faces()[one].stringWidth(part, size)) for one, part in _runs(text, face))
    return points * _POINT_MM


def wrapped(text: str, face: Face, size: float, width: float) -> list[str]:
    """Break a text into lines no wider than `width` mm, within a word only where it doesn't fit a line."""
    lines = []
    for paragraph in text.splitlines():
        line = ""
        for word in paragraph.replace("\t", " ").split(" "):  # a no-break space stays within its word
            if not word:
                continue
            longer = f"{line} {word}" if line else word
            if width_mm(longer, face, size) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            line = word
            while width_mm(line, face, size) > width:
                fits = next(
                    n for n in range(len(line) - 1, 0, -1) if _fits(line[:n], face, size, width) or n == 1
                )
                lines.append(line[:fits])
                line = line[fits:]
        lines.append(line)
    return lines


def _fits(text: str, face: Face, size: float, width: float) -> bool:
    return width_mm(text, face, size) <= width


def _runs(text: str, face: Face) -> Iterator[tuple[Face, str]]:
    """Split a text into parts of one font each."""
    faces = _faces()
    start, current = 0, face
    for i, sign in enumerate(text):
        code = ord(sign)
        wanted = next((one for one in (face, *_ELSE) if code in faces[one].face.charToGlyph), face)
        if wanted != current:
            if i > start:
                yield current, text[start:i]
            start, current = i, wanted
    if text:
        yield current, text[start:]


class Paper:
    """Pages of one size.

    Parameters
    ----------
    size : {"a4", "letter"}
    title, author : str
        All that the file says about itself, besides the program.
    """

    def __init__(self, size: str, *, title: str, author: str = "") -> None:
        from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFString
        from reportlab.pdfgen.canvas import Canvas

        self.width, self.height = SIZES_MM[size]
        self._bytes = BytesIO()
        in_points = (self.width / _POINT_MM, self.height / _POINT_MM)
        # invariant: no time of making, so that the same sheet gives the same bytes
        _faces()
        self._canvas = Canvas(
            self._bytes, pagesize=in_points, pageCompression=1, invariant=1, lang="en",
            initialFontName="grindcheck-roman",
        )  # fmt: skip
        told = {"Title": title, "Author": author, "Producer": f"grindcheck {__version__}"}
        info = self._canvas._doc.info
        info.format = lambda document: PDFDictionary(
            {name: PDFString(text) for name, text in told.items() if text}
        ).format(document)
        self._photos: dict[bytes, Any] = {}

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        face: Face = "roman",
        size: float = 10.5,
        grey: float = 0.0,
        align: Literal["left", "right", "middle"] = "left",
        spacing: float = 0.0,
    ) -> None:
        """Write one line; `grey` 0 is black, `spacing` points are added after each letter."""
        wide = width_mm(text, face, size) + spacing * _POINT_MM * max(0, len(text) - 1)
        at = x - {"left": 0.0, "middle": wide / 2, "right": wide}[align]
        line = self._canvas.beginText(at / _POINT_MM, (self.height - y) / _POINT_MM)
        line.setFillGray(grey)
        line.setCharSpace(spacing)
        for one, part in _runs(text, face):
            line.setFont(f"grindcheck-{one}", size)
            line.textOut(part)
        self._canvas.drawText(line)

    def rule(self, x0: float, x1: float, y: float, *, points: float = 0.4, grey: float = 0.6) -> None:
        """Draw a level line."""
        self._canvas.setLineWidth(points)
        self._canvas.setStrokeGray(grey)
        level = (self.height - y) / _POINT_MM
        self._canvas.line(x0 / _POINT_MM, level, x1 / _POINT_MM, level)

    def bar(self, x: float, y: float, width: float, height: float, *, grey: float) -> None:
        """Fill a rectangle with its upper left corner at (x, y)."""
        self._canvas.setFillGray(grey)
        box = (x, self.height - y - height, width, height)
        self._canvas.rect(*(value / _POINT_MM for value in box), stroke=0, fill=1)

    def curve(self, points: list[tuple[float, float]], *, fill: float, rim: float) -> None:
        """Draw a closed shape: a start, then three points for each cubic curve; greys of inside and rim."""
        path = self._canvas.beginPath()
        at = [(x / _POINT_MM, (self.height - y) / _POINT_MM) for x, y in points]
        path.moveTo(*at[0])
        for a, b, c in zip(at[1::3], at[2::3], at[3::3], strict=True):
            path.curveTo(*a, *b, *c)
        path.close()
        self._canvas.setFillGray(fill)
        self._canvas.setStrokeGray(rim)
        self._canvas.setLineWidth(0.4)
        self._canvas.drawPath(path, stroke=1, fill=1)

    def photo(self, jpeg: bytes, x: float, y: float, width: float, height: float) -> None:
        """Place a JPEG with its upper left corner at (x, y); its bytes go in as they are."""
        from reportlab.lib.utils import ImageReader

        reader = self._photos.setdefault(jpeg, ImageReader(BytesIO(jpeg)))
        box = (x, self.height - y - height, width, height)
        self._canvas.drawImage(reader, *(value / _POINT_MM for value in box))

    def next_page(self) -> None:
        """End this page and begin another."""
        self._canvas.showPage()

    def pdf(self) -> bytes:
        """End the last page and return the file."""
        self._canvas.showPage()
        self._canvas.save()
        return self._bytes.getvalue()
