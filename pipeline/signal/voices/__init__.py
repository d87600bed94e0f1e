"""Where two bowed lines sound at once, which is the soloist's?

Samples and what is known of the two players in; a line for each of them out, silent where that player rests, and how
sure it is that they are not the other way round. Door: ``two_lines``. It follows, takes out what was followed
(``taken_out``), follows what is left, and tells whose is which (``whose``) by level, register and colour (``colour``),
and, where the soloist's part is known, by who plays from it (``by_part``).
"""
