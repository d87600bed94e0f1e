"""A count with its word, in the singular where it is one: every text asks here."""


def counted(number: float, what: str) -> str:
    """A number and a word for it: 1 take, 8 takes; with a decimal only where takes count by their shares."""
    whole = abs(number - round(number)) < 0.005
    return f"{number:,.{0 if whole else 1}f} {what}{'' if whole and round(number) == 1 else 's'}"
