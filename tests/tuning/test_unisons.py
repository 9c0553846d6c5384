"""The solver: exact ratios from unisons in any order, and refusals that name strings and cents."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.unisons import Unison, solve_unisons

# Open D from its fourth string, as guitarists do it; the ratios follow from p · f_s = q · f_t (Mersenne 1636).
OPEN_D = (
    "6 at 1/2 = 4 open",
    "1 open = 4 at 1/2",
    "5 at 1/4 = 4 at 1/3",
    "2 at 1/2 = 4 at 1/3",
    "3 at 1/4 = 4 at 1/5",
)
OPEN_D_RATIOS = {
    6: Fraction(1, 2),
    5: Fraction(3, 4),
    4: Fraction(1),
    3: Fraction(5, 4),
    2: Fraction(3, 2),
    1: Fraction(2),
}
COMMA_CENTS = 21.506  # 81/80, Ellis, appendix XX to Helmholtz


def ratios(strings, reference, texts):
    solved = solve_unisons(strings, reference, [Unison.parse(text) for text in texts])
    assert all(string.exact for string in solved.values())
    return {number: string.ratio for number, string in solved.items()}


def test_open_d_is_exact():
    assert ratios(range(1, 7), 4, OPEN_D) == OPEN_D_RATIOS


@pytest.mark.parametrize("seed", range(8))
def test_order_and_direction_do_not_matter(seed):
    shuffled = list(OPEN_D)
    random.Random(seed).shuffle(shuffled)
    turned = [" = ".join(reversed(text.split(" = "))) for text in shuffled]
    assert ratios(range(1, 7), 4, turned) == OPEN_D_RATIOS


def test_any_reference_gives_the_same_instrument():
    from_the_first = ratios(range(1, 7), 1, OPEN_D)
    assert from_the_first == {number: ratio / 2 for number, ratio in OPEN_D_RATIOS.items()}


def test_leads_through_other_strings():
    chain = ("4 at 1/4 = 3 at 1/3", "3 at 1/4 = 2 at 1/3", "2 at 1/4 = 1 at 1/3")
    assert ratios((1, 2, 3, 4), 4, chain) == {
        1: Fraction(64, 27),
        2: Fraction(16, 9),
        3: Fraction(4, 3),
        4: Fraction(1),
    }


def test_any_node_of_the_partial_may_be_written():
    assert Unison.parse("3 at 3/4 = 4 at 2/5") == Unison(3, 4, 4, 5)
    assert Unison.parse("6 at 2/4 = 4 open") == Unison(6, 2, 4, 1)


@given(st.integers(1, 24), st.integers(1, 16), st.integers(1, 24), st.integers(1, 16))
def test_text_of_a_unison_reads_back(string, partial, other, other_partial):
    if string == other:
        other = string % 24 + 1
    unison = Unison(string, partial, other, other_partial)
    assert Unison.parse(str(unison)) == unison
    assert unison.ratio * partial == other_partial


@given(st.data())
def test_any_tree_of_unisons_is_solved_exactly(data):
    """Each string's ratio is set first; the unisons are derived from it, so the answer is known."""
    count = data.draw(st.integers(2, 10))
    truth = {1: Fraction(1)}
    unisons = []
    for string in range(2, count + 1):
        other = data.draw(st.integers(1, string - 1))
        partial, other_partial = data.draw(st.integers(1, 16)), data.draw(st.integers(1, 16))
        truth[string] = truth[other] * Fraction(other_partial, partial)
        unisons.append(Unison(string, partial, other, other_partial))
    unisons = data.draw(st.permutations(unisons))
    solved = solve_unisons(list(truth), 1, unisons)
    assert {number: string.ratio for number, string in solved.items()} == truth


def test_redundant_unisons_that_agree_are_welcome():
    extra = (*OPEN_D, "6 at 1/4 = 1 open", "3 at 1/6 = 2 at 1/5")
    assert ratios(range(1, 7), 4, extra) == OPEN_D_RATIOS


def test_incomplete_names_the_strings():
    with pytest.raises(TuningProblem, match="nothing ties strings 3 and 2 to the reference string 4"):
        ratios((6, 5, 4, 3, 2, 1), 4, [*OPEN_D[:3], "3 at 1/6 = 2 at 1/5"])
    with pytest.raises(TuningProblem, match="nothing ties string 3 to"):
        ratios((6, 5, 4, 3, 2, 1), 4, OPEN_D[:4])


def test_contradiction_names_the_loop_and_its_size():
    """(4/3)^4 · 5/4 = 320/81 falls a comma short of two octaves."""
    standard = (
        "6 at 1/4 = 5 at 1/3",
        "5 at 1/4 = 4 at 1/3",
        "4 at 1/4 = 3 at 1/3",
        "3 at 1/5 = 2 at 1/4",
        "2 at 1/4 = 1 at 1/3",
        "6 at 1/4 = 1 open",
    )
    with pytest.raises(TuningProblem, match=f"contradict each other.* {COMMA_CENTS:.1f} cents") as caught:
        ratios((6, 5, 4, 3, 2, 1), 5, standard)
    loop = caught.value.message.split("round strings ")[1].split(" they miss")[0].split(" - ")
    assert loop[0] == loop[-1]
    assert sorted(loop[:-1]) == list("123456")
    pairs = {frozenset(pair) for pair in pairwise(loop)}
    assert pairs == {frozenset(pair) for pair in ("65", "54", "43", "32", "21", "16")}


def test_the_loop_holds_only_the_strings_that_contradict():
    turns = "3 - 2 - 4 - 3|2 - 4 - 3 - 2|3 - 4 - 2 - 3|2 - 3 - 4 - 2"
    with pytest.raises(TuningProblem, match=f"round strings ({turns}) they miss"):
        ratios(range(1, 7), 4, [*OPEN_D, "3 at 1/5 = 2 at 1/4"])
    with pytest.raises(TuningProblem, match=r"round strings 6 - 4 - 6 they miss by 702\.0 cents"):
        ratios((6, 4), 4, ["6 at 1/2 = 4 open", "6 at 1/3 = 4 open"])


def test_tempered_strings_pass_their_cents_on():
    solved = solve_unisons((3, 2, 1), 3, [Unison.parse("1 open = 2 at 1/2")], {2: 500.0})
    assert solved[1].ratio == 2
    assert solved[1].tempered_cents == 500.0
    assert solved[1].cents == pytest.approx(1700.0)
    assert not solved[1].exact


def test_tempered_octaves_are_exact():
    solved = solve_unisons((2, 1), 2, [], {1: -2400.0})
    assert solved[1].exact
    assert solved[1].ratio == Fraction(1, 4)


def test_a_tempered_loop_must_close():
    unisons = [Unison.parse("1 at 1/2 = 2 at 1/3")]
    with pytest.raises(TuningProblem, match=r"miss by 2\.0 cents"):
        solve_unisons((2, 1), 2, unisons, {1: 700.0})
    assert solve_unisons((2, 1), 2, unisons, {1: 701.955})[1].cents == pytest.approx(701.955)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("5 at 1/4", "not a unison of two strings"),
        ("5 at 1/4 = 4 at 1/3 = 2 open", "not a unison of two strings"),
        ("5 at 1/4 = 4", "'4' in unison"),
        ("5 at 4 = 4 open", "'5 at 4' in unison"),
        ("A at 1/4 = 4 open", "'A at 1/4' in unison"),
        ("5 at 1/1 = 4 open", "touch 1/1 .* not on the string.*open"),
        ("5 at 3/2 = 4 open", "touch 3/2 .* not on the string"),
        ("5 at 0/2 = 4 open", "touch 0/2 .* not on the string"),
        ("5 at 1/0 = 4 open", "touch 1/0 .* not on the string"),
        ("", "not a unison"),
    ],
)
def test_malformed_unisons(text, message):
    with pytest.raises(ValueProblem, match=message):
        Unison.parse(text)


def test_impossible_unisons():
    with pytest.raises(TuningProblem, match="string 4 with itself"):
        Unison.parse("4 at 1/2 = 4 open")
    with pytest.raises(TuningProblem, match=r"partial 17 .*1 \(open\) to 16"):
        Unison.parse("4 at 1/17 = 3 open")


def test_unknown_strings():
    with pytest.raises(TuningProblem, match=r"names string 7.*strings 1, 2, 3"):
        solve_unisons((3, 2, 1), 1, [Unison(7, 1, 1, 1)])
    with pytest.raises(TuningProblem, match="reference string 9 does not exist"):
        solve_unisons((3, 2, 1), 9, [])
    with pytest.raises(TuningProblem, match="tempered string 9 does not exist"):
        solve_unisons((2, 1), 1, [], {9: 0.0})
    with pytest.raises(TuningProblem, match="string 1 is the reference and tempered"):
        solve_unisons((2, 1), 1, [], {1: 0.0})
