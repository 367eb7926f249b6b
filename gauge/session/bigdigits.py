"""Large figures for the bench screen, five rows high, readable from across the room."""

from __future__ import annotations

HEIGHT = 5
_FONT = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
    "?": ("###", "  #", " ##", "   ", " # "),
}


def big(text: str, ink: str = "#") -> list[str]:
    """Draw digits, point and minus; any other character is left out.

    Parameters
    ----------
    text : str
    ink : str
        One character, doubled sideways so that figures look upright.

    Examples
    --------
    >>> for row in big("1.2"):
    ...     print(row.rstrip())
      ##        ######
    ####            ##
      ##        ######
      ##        ##
    ######  ##  ######
    """
    glyphs = [_FONT[character] for character in text if character in _FONT]
    gap = " " * 2
    return [
        gap.join(
            "".join(2 * (ink if dot == "#" else " ") for dot in glyph[row]) for glyph in glyphs
        )
        for row in range(HEIGHT)
    ]


def width(text: str) -> int:
    """Columns that `big` takes.

    Examples
    --------
    >>> width("1.2")
    18
    """
    return max(len(row) for row in big(text))
