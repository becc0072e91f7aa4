"""The few ways to fail share one base, and a misspelt word finds its neighbour."""

import pytest

from bayreach import errors


def test_every_failure_is_a_bayreach_error_with_a_line_of_its_own() -> None:
    kinds = [kind for name, kind in vars(errors).items() if name.endswith("Error") and isinstance(kind, type)]
    assert len(kinds) >= 7
    for kind in kinds:
        assert issubclass(kind, errors.BayreachError)
        assert kind.__doc__


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("diamter", ' Did you mean "diameter"?'),
        ("film_mni", ' Did you mean "film_min"?'),
        ("zzz", ""),
        ("", ""),
    ],
)
def test_a_misspelt_word_is_answered_with_the_nearest_known_one(word: str, hint: str) -> None:
    assert errors.nearest_hint(word, ["diameter", "film_min", "film_max"]) == hint


def test_a_message_is_one_printable_line_of_bounded_length() -> None:
    said = str(errors.MeshError("a.stl: " + "x\x1b[31m\n" * 10_000 + "; export it again."))
    assert said.isprintable()
    assert len(said) <= errors.MOST_CHARACTERS
    assert said.startswith("a.stl: ")
    assert said.endswith("; export it again.")
