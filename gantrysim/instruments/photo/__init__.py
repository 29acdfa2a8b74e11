"""A photograph made flat.

How to photograph a piece, in one page:

1. Lay the piece flat on a plain ground, and a bank card beside it, clear of everything and of
   another grey than what it lies on.  Pack the card up until its face is level with the burned one
   (``Card(raised=0)``).  If it lies on the bench beside the piece, say how thick the piece is
   (``Card(beside=True, thickness=3)``); ``Card()`` says that it lies on the piece.  A millimetre of
   height that is said wrong is 0.2 to 0.4 per cent of every length at half and a quarter of a
   metre: where all rings are off alike, the scale counts as unknown.
2. Better than a card is a printed grid under the piece: ``Grid(pitch=10, columns=20,
   rows=15).to_svg("grid.svg")``, printed at 100 per cent, measured across both ways, with
   ``raised`` minus the thickness of the piece.
3. Hold the camera straight above, half a metre away rather than near, piece and reference in the
   middle of the picture, in even light and without flash.  Do not crop the picture.
4. ``read_photo("photo.jpg", "test.json", Card(raised=0))`` finds card and rings.  Where other lines
   are in the picture say ``area=(left, top, right, bottom)``, in pixels.
5. Read ``Piece.notes``: they say how accurate lengths are.  Steps per mm are settled with calipers.
"""
