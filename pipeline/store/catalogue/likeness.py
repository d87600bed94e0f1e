"""Names of people and titles of works that are probably two spellings of one.

Likeness of strings is that of rapidfuzz: 100 times one less the normalised indel distance. Numbers, letters that stand
alone (keys) and Roman numerals must agree: no. 1 is never no. 2, and F is never G.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import combinations

from rapidfuzz import fuzz, process

LIKE_NAMES = 90.0
LIKE_TITLES = 92.0
"""From here up two spellings are shown as one: a slip of the keys in ten letters. Common practice, no source."""
MOST_COMPARED = 5_000
"""Beyond, each against each takes minutes; then only signs and initials are compared."""
_LEAST_LETTERS = 8
_TITLES = re.compile(r"^(?:miss|mrs|mr|ms|mme|mlle|madame|monsieur|herr|frau|signora|signor|signorina)\b\.?\s*")
_NUMBER_SIGN = re.compile(r"\b(?:no|nr|num|number|nummer|numero|op|opus)\b")
_EXACT = re.compile(r"[0-9]+[a-z]?|[a-z]|[ivx]+|sharp|flat|major|minor|dur|moll|[a-h](?:is|es)")


def like_names(names: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of names, each pair in the given order: one with initials of the other, or all but equal letters."""
    given = list(dict.fromkeys(names))
    plain = [_TITLES.sub("", _bare(re.sub(r"^([^,]+),\s*([^,]+)$", r"\2 \1", name))) for name in given]
    by_last: dict[str, list[int]] = defaultdict(list)
    for place, name in enumerate(plain):
        if name:
            by_last[name.split()[-1]].append(place)
    found = {pair for places in by_last.values() for pair in combinations(places, 2) if _initials(plain, *pair)}
    long = [place for place, name in enumerate(plain) if len(name) >= _LEAST_LETTERS]
    found |= _near(long, plain, least=LIKE_NAMES)
    return [(given[i], given[j]) for i, j in sorted(found)]


def like_titles(titles: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of titles, each pair in the given order, that differ in signs, order of words or a slip of the keys."""
    given = list(dict.fromkeys(titles))
    plain = [" ".join(sorted(_NUMBER_SIGN.sub(" ", _bare(title)).split())) for title in given]
    alike: dict[str, list[int]] = defaultdict(list)
    for place, title in enumerate(plain):
        alike[title].append(place)
    found = {pair for places in alike.values() for pair in combinations(places, 2)}
    long = [place for place, title in enumerate(plain) if len(title) >= _LEAST_LETTERS]
    found |= _near(long, plain, least=LIKE_TITLES)
    return [(given[i], given[j]) for i, j in sorted(found)]


def fuller(one: str, two: str) -> str:
    """The one of two spellings that tells more; the first where neither does."""
    return two if len(_bare(two)) > len(_bare(one)) else one


def _near(places: Sequence[int], plain: Sequence[str], *, least: float) -> set[tuple[int, int]]:
    texts = [plain[place] for place in places]
    found: set[tuple[int, int]] = set()
    if len(texts) > MOST_COMPARED:
        return found
    for row, text in enumerate(texts):
        for _, _, other in process.extract(text, texts[row + 1 :], scorer=fuzz.ratio, score_cutoff=least, limit=None):
            one, two = places[row], places[row + 1 + other]
            if _exact(plain[one]) == _exact(plain[two]):
                found.add((one, two))
    return found


def _initials(plain: Sequence[str], one: int, other: int) -> bool:
    """Whether two people of one surname may be one: each first name, as far as both tell it, begins the other."""
    first, second = plain[one].split()[:-1], plain[other].split()[:-1]
    if first == second:
        return True
    told = all(a.startswith(b) or b.startswith(a) for a, b in zip(first, second, strict=False))
    shortened = any(len(a) == 1 or len(b) == 1 for a, b in zip(first, second, strict=False))
    return told and (shortened or not first or not second or len(first) != len(second))


def _exact(text: str) -> list[str]:
    return sorted(word for word in text.split() if _EXACT.fullmatch(word))


def _bare(text: str) -> str:
    spelled = unicodedata.normalize("NFKD", text.casefold().replace("♭", " flat ").replace("♯", " sharp "))
    return " ".join(re.findall(r"[0-9]+[a-z]?|[^\W\d_]+", "".join(c for c in spelled if not unicodedata.combining(c))))
