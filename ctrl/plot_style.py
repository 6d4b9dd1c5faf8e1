"""What every picture shares: colours, sizes, quiet axes.

Colours are from the palette of Okabe and Ito (2008), which colour-blind readers can tell
apart; line styles and words differ too, so that none is the only sign.
"""

from matplotlib.axes import Axes

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE, GREY = "#0072B2", "#D55E00", "#CC79A7", "#7F7F7F"
DARK_ORANGE = "#A06A00"  # for text on white
GRID, SHADE, WHITE = "#DDDDDD", "#E8E8E8", "#FFFFFF"
FONT_PT = 9.0


def tidy(axis: Axes, *, grid: bool = True) -> None:
    """Make axes quiet: small figures, no box, a pale grid under what is drawn."""
    axis.tick_params(labelsize=FONT_PT)
    if grid:
        axis.grid(True, color=GRID, linewidth=0.5)
    axis.set_axisbelow(True)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
