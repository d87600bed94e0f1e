"""Identifiers against published examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.store.catalogue.identifiers import isni_fault, mod_11_2, plain_form

# ORCID is a block of ISNI with the same check character (ISO/IEC 7064 MOD 11-2). An invented researcher's number,
# and both ends of the block: support.orcid.org, "Structure of the ORCID Identifier".
PUBLISHED = ["0000 0002 1825 0097", "0000000150000007", "0000-0003-5000-0001"]


@pytest.mark.parametrize("number", PUBLISHED)
def test_published_numbers_are_right(number: str) -> None:
    assert isni_fault(number) is None


def test_the_check_character_can_be_ten() -> None:
    # by the published algorithm: total = (total + digit) * 2 for each, result = (12 - total % 11) % 11, 10 is X
    assert mod_11_2("000000021694233") == "X"
    assert isni_fault("0000 0002 1694 233X") is None


@given(st.integers(0, 14), st.integers(1, 9))
def test_one_wrong_digit_is_found(place: int, step: int) -> None:
    digits = list("0000000218250097")
    digits[place] = str((int(digits[place]) + step) % 10)
    fault = isni_fault("".join(digits))
    assert fault is not None
    assert fault[0] == "has a wrong check digit"


@given(st.integers(0, 14))
def test_two_swapped_digits_are_found(place: int) -> None:
    digits = list("0000000218250097")
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    assert (isni_fault("".join(digits)) is None) == (digits[place] == digits[place + 1])


def test_isrc_example_of_the_standard() -> None:
    # isrc.ifpi.org, "ISRC structure": the explanatory example, never assigned; hyphens are for show
    assert plain_form("isrc", "AA-6Q7-20-00047") == "AA6Q72000047"
    assert plain_form("isrc", "AA-6Q7-20-0004") is None


def test_pasted_addresses_become_plain() -> None:
    assert plain_form("wikidata", "https://www.wikidata.org/wiki/Q42") == "Q42"
    assert plain_form("wikidata", "q42") == "Q42"
    assert plain_form("viaf", "http://viaf.org/viaf/123456/") == "123456"
    assert plain_form("wikidata", "forty-two") is None
