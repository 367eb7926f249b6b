"""Words and figures in letters several lines high, readable at two metres. Pure text."""

from __future__ import annotations

HEIGHT = 5  # lines of a letter at scale 1; a dot of it is two columns wide
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
    " ": (" ", " ", " ", " ", " "),
    "A": ("###", "# #", "###", "# #", "# #"),
    "B": ("## ", "# #", "## ", "# #", "## "),
    "C": ("###", "#  ", "#  ", "#  ", "###"),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "G": ("###", "#  ", "# #", "# #", "###"),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("# #", "# #", "## ", "# #", "# #"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "m": ("     ", "     ", "## # ", "# # #", "# # #"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "P": ("###", "# #", "###", "#  ", "#  "),
    "R": ("## ", "# #", "## ", "# #", "# #"),
    "S": ("###", "#  ", "###", "  #", "###"),
    "T": ("###", " # ", " # ", " # ", " # "),
    "U": ("# #", "# #", "# #", "# #", "###"),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "Y": ("# #", "# #", " # ", " # ", " # "),
    "Z": ("###", "  #", " # ", "#  ", "###"),
}


def big(text: str, columns: int, rows: int, ink: str = "█") -> list[str]:
    r"""Draw a text as large as it fits, as lines; as it is where not even scale 1 fits.

    Examples
    --------
    >>> print("\n".join(big("1.5", 20, 5, "#")))
      ##          ######
    ####          ##
      ##          ######
      ##              ##
    ######    ##  ######
    """
    glyphs = [_FONT.get(character) or _FONT[character.upper()] for character in text]
    dots = [" ".join(glyph[row] for glyph in glyphs) for row in range(HEIGHT)]
    scale = min(columns // max(2 * len(dots[0]), 1), rows // HEIGHT)
    first, blank, rest = text.partition(" ")
    half = (rows - 1) // 2
    if blank and half // HEIGHT > scale:  # two lines are larger than one
        return [*big(first, columns, half, ink), "", *big(rest, columns, half, ink)]
    if scale < 1:
        return [text[:columns]] if rows > 0 else []
    return [
        "".join(2 * scale * (ink if dot == "#" else " ") for dot in row).rstrip()
        for row in dots
        for _ in range(scale)
    ]
