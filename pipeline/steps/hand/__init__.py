"""The step ``hand``: strings and fingers of every note and slide, and printed fingerings beside them."""
