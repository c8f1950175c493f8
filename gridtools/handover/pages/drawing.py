"""The sketch of lanes on a page, drawn from `gridtools.handover.sketch`."""

from reportlab.lib.colors import Color, black, white
from reportlab.lib.units import mm
from reportlab.pdfgen.pathobject import PDFPathObject
from reportlab.platypus import Flowable

from gridtools.handover.pages.layout import BOLD, WIDTH
from gridtools.handover.sketch import Ring, Sketch

_GREY = Color(0.55, 0.55, 0.55)


class SketchDrawing(Flowable):
    """A sketch at its own size, grid north up."""

    def __init__(self, sketch: Sketch) -> None:
        super().__init__()
        self._sketch = sketch

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Size of the drawing, whatever room there is."""
        return WIDTH, (self._sketch.height + 2) * mm

    def draw(self) -> None:
        """Draw it with the origin in the lower left."""
        canvas, sketch = self.canv, self._sketch
        canvas.saveState()
        # Millimetres from the upper left, y downwards, as the sketch has them.
        canvas.translate((WIDTH - sketch.width * mm) / 2, (sketch.height + 1) * mm)
        canvas.scale(mm, -mm)
        self._hatched(sketch.no_go)
        self._rings(sketch.outline, line_mm=0.6)
        self._rings(sketch.no_go, line_mm=0.35)
        canvas.setLineWidth(0.28)
        for lane in sketch.lanes:
            canvas.line(lane.x1, lane.y1, lane.x2, lane.y2)
            self._head(lane.x1, lane.y1, lane.x2, lane.y2)
        for lane in sketch.lanes:
            if lane.label:
                self._words(lane.label, lane.label_x, lane.label_y, centred=True)
        for spot in sketch.spots:
            self._spot(spot.x, spot.y, spot.kind)
        for spot in sketch.spots:
            self._words(spot.label, spot.x + 2.6, spot.y - 1.2, centred=False)
        self._north(sketch.width - 6, 4)
        self._bar(3, sketch.height - 3, sketch.bar_mm, sketch.bar_words)
        canvas.restoreState()

    def _path(self, rings: tuple[Ring, ...]) -> PDFPathObject:
        path = self.canv.beginPath()
        for ring in rings:
            path.moveTo(*ring[0])
            for x, y in ring[1:]:
                path.lineTo(x, y)
            path.close()
        return path

    def _rings(self, rings: tuple[Ring, ...], *, line_mm: float) -> None:
        if rings:
            self.canv.setLineWidth(line_mm)
            self.canv.drawPath(self._path(rings), stroke=1, fill=0)

    def _hatched(self, rings: tuple[Ring, ...]) -> None:
        if not rings:
            return
        canvas = self.canv
        canvas.saveState()
        canvas.clipPath(self._path(rings), stroke=0, fill=0, fillMode=0)
        canvas.setStrokeColor(_GREY)
        canvas.setLineWidth(0.25)
        across = self._sketch.width + self._sketch.height
        for k in range(0, int(across), 2):
            canvas.line(k, 0, k - self._sketch.height, self._sketch.height)
        canvas.restoreState()

    def _head(self, x1: float, y1: float, x2: float, y2: float) -> None:
        length = max(((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5, 1e-9)
        along, across = ((x2 - x1) / length, (y2 - y1) / length), 0.55
        back = (x2 - 1.6 * along[0], y2 - 1.6 * along[1])
        path = self.canv.beginPath()
        path.moveTo(x2, y2)
        path.lineTo(back[0] - across * along[1], back[1] + across * along[0])
        path.lineTo(back[0] + across * along[1], back[1] - across * along[0])
        path.close()
        self.canv.drawPath(path, stroke=0, fill=1)

    def _spot(self, x: float, y: float, kind: str) -> None:
        canvas = self.canv
        canvas.setLineWidth(0.4)
        if kind == "peg":
            canvas.setFillColor(white)
            canvas.rect(x - 1, y - 1, 2, 2, stroke=1, fill=1)
        elif kind == "centre":
            canvas.line(x - 2.2, y, x + 2.2, y)
            canvas.line(x, y - 2.2, x, y + 2.2)
        else:
            canvas.setFillColor(white)
            canvas.circle(x, y, 1.1, stroke=1, fill=1)
        canvas.setFillColor(black)

    def _words(self, words: str, x: float, y: float, *, centred: bool) -> None:
        canvas = self.canv
        canvas.saveState()
        canvas.translate(x, y)
        canvas.scale(1, -1)
        # In a white halo, so that words over lines can be read.
        canvas.setStrokeColor(white)
        canvas.setLineWidth(0.9)
        canvas.setFont(BOLD, 3.0)
        at = -canvas.stringWidth(words, BOLD, 3.0) / 2 if centred else 0.0
        canvas.drawString(at, -1.1, words, mode=2)
        canvas.drawString(at, -1.1, words, mode=0)
        canvas.restoreState()

    def _north(self, x: float, y: float) -> None:
        path = self.canv.beginPath()
        path.moveTo(x, y)
        for dx, dy in ((2.2, 8), (0, 6.3), (-2.2, 8)):
            path.lineTo(x + dx, y + dy)
        path.close()
        self.canv.drawPath(path, stroke=0, fill=1)
        self._words("grid N", x, y + 11, centred=True)

    def _bar(self, x: float, y: float, length_mm: float, words: str) -> None:
        canvas = self.canv
        canvas.setLineWidth(0.5)
        canvas.lines(
            [
                (x, y - 1.5, x, y),
                (x, y, x + length_mm, y),
                (x + length_mm, y, x + length_mm, y - 1.5),
            ]
        )
        self._words(words, x + length_mm / 2, y - 2.2, centred=True)
