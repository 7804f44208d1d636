"""What is printed on the card: plain numbers that the finder and the printer share.

A ChArUco board: a chessboard whose white squares carry coded markers, so that every inner corner can be named even
where half of the card is covered or outside the picture. No image library is needed to read this module.
"""

SQUARES = (8, 6)
"""Squares along the card and across it."""
SQUARE_MM = 9.0
"""Side of a square as drawn, mm."""
MARKER_MM = 6.0
"""Side of a marker, its black border included, mm; leaves 1.5 mm of white around it for the corners' sake."""
CELLS = 6
"""Cells along a marker: 4 of code and 1 of border on each side, 1 mm each."""
FIRST_ID = 20
"""Markers carry the numbers from this one on, row by row from the top left; any other number is not ours."""
MARKERS = SQUARES[0] * SQUARES[1] // 2
CHECK_MM = 50.0
"""Length of the check lines as drawn, mm."""
BOARD_MM = (SQUARES[0] * SQUARE_MM, SQUARES[1] * SQUARE_MM)
"""Length and width of the board as drawn, mm."""
