"""What is wrong or noteworthy in what people keep by hand? Cross checks, each finding with its place and cure.

Errors must be mended, remarks looked at. Cells by themselves are checked where the catalogue reads them; here stands
what takes two tables, a file or the world (dates that cannot be, circles of teachers, sound that is not there).

Door: ``check.check``, which runs them all.
"""
