"""One line of text on a chart, as an artist of matplotlib."""

from __future__ import annotations

from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_rgba
from matplotlib.text import Text

from gpubench_kit.figures.text import FAMILY, text_width

#: Share of its width by which a line begins before its place.
_BEFORE = {"left": 0.0, "center": 0.5, "right": 1.0}


class TextLine(Text):
    """One level line of text on its base line, placed by the width that its font gives it at any size.

    matplotlib's own text is laid out anew by every renderer, for any number of lines, turned by any angle;
    that took a fifth of the time of drawing a chart.
    """

    def draw(self, renderer: RendererBase) -> None:
        """Draw the line, nothing for no text.

        Parameters
        ----------
        renderer : what it is drawn with
        """
        text = self.get_text()
        if not text:
            return
        x, y = self.get_transform().transform(self.get_position())
        left = x - _BEFORE[self.get_horizontalalignment()] * self._width(renderer)
        base = renderer.get_canvas_width_height()[1] - y if renderer.flipy() else y
        renderer.open_group("text", self.get_gid())
        pen = renderer.new_gc()
        pen.set_foreground(to_rgba(self.get_color()), isRGBA=True)
        renderer.draw_text(pen, left, base, text, self.get_fontproperties(), 0.0, mtext=self)
        pen.restore()
        renderer.close_group("text")
        self.stale = False

    def _width(self, renderer: RendererBase) -> float:
        """Return how wide the line is [px]; a second font, for characters that the first lacks, is asked for it."""
        properties = self.get_fontproperties()
        if properties.get_family() != [FAMILY]:
            return renderer.get_text_width_height_descent(self.get_text(), properties, ismath=False)[0]
        size = renderer.points_to_pixels(self.get_fontsize())
        return text_width(self.get_text(), size, bold=self.get_fontweight() == "bold")
