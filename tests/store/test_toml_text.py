"""TOML with lines: what is written reads back, and entries are found on their lines."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputProblem
from bridge.store.toml import find_line, parse_toml, write_toml

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
scalars = st.one_of(
    texts,
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
)
values = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(texts, inner, max_size=3)),
    max_leaves=12,
)


@given(st.dictionaries(texts, values, max_size=5))
def test_whatever_is_written_reads_back(data):
    assert tomllib.loads(write_toml(data)) == data


def test_comments_and_sections():
    text = write_toml(
        {"a": 1, "inner": {"b": "x", "more": {"c": 2.5}}, "d": [1, 2]},
        {"": "first\nsecond", "a": "about a", "inner": "about inner", "inner.more": "deeper"},
    )
    assert text == (
        "# first\n# second\n# about a\na = 1\nd = [\n  1,\n  2,\n]\n\n"
        '# about inner\n[inner]\nb = "x"\n\n# deeper\n[inner.more]\nc = 2.5\n'
    )


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None, object()])
def test_values_without_a_form(value):
    with pytest.raises(TypeError, match="has no form in TOML"):
        write_toml({"a": value})


LINES = '''# a comment = not an entry
schema = 1
"quoted #4" = "x"
long = """
fret = 99
[section]
"""
list = [
  { fret = 3 },
]
[section] # with a comment
fret = 5
'single' = 6
[section."odd name"]
fret = 7
[[many]]
fret = 8
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("schema",), 2),
        (("quoted #4",), 3),
        (("long",), 4),
        (("list",), 8),
        (("section",), 11),
        (("section", "fret"), 12),
        (("section", "single"), 13),
        (("section", "odd name", "fret"), 15),
        (("section", "missing"), 11),
        (("many", "fret"), 17),
        (("fret",), None),
        (("nowhere",), None),
    ],
)
def test_entries_are_found_on_their_lines(path, line):
    assert tomllib.loads(LINES)["section"]["fret"] == 5
    assert find_line(LINES, path) == line


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (b"a = 1\nb = \n", r"f.toml, line 2: invalid value"),
        (b"a = 1\n\n\nb\n", r"f.toml, line 4: .* \(every entry reads name = value"),
        (b"a = 1\na = 2\n", "line 2: .*overwrite"),
        (b'a = "x', r"f.toml, line 1: unterminated string"),
        (b"a = 1\n\xff", "f.toml, line 2: not UTF-8"),
    ],
)
def test_syntax_errors_name_the_line(text, match):
    with pytest.raises(InputProblem, match=match) as caught:
        parse_toml(text, "f.toml")
    assert "\n" not in str(caught.value)


def test_entries_with_ranges():
    section = parse_toml(b"whole = 7\nnumber = 2.5\nflag = true\ntext = 'x'\n", "f.toml")
    assert (section.whole("whole", 0, 9), section.number("number", 0, 9), section.flag("flag")) == (
        7,
        2.5,
        True,
    )
    assert section.whole("absent", 0, 9, 3) == 3
    with pytest.raises(
        InputProblem, match=r"f.toml, line 1: whole = 7 \(a whole number from 0 to 5 is wanted\)"
    ):
        section.whole("whole", 0, 5)
    with pytest.raises(
        InputProblem, match=r"f.toml, line 2: number = 2.5 \(a number from 3 to 9 is wanted\)"
    ):
        section.number("number", 3, 9)
    with pytest.raises(InputProblem, match="line 4: text = 'x'"):
        section.flag("text")
    with pytest.raises(InputProblem, match="entry 'gone' is missing"):
        section.text("gone")
    with pytest.raises(InputProblem, match="line 3: flag = True is not a section"):
        section.section("flag")
    assert "text" in section
    section.refuse_others()
    with pytest.raises(InputProblem, match="unknown entry 'whole'"):
        parse_toml(b"whole = 7", "f.toml").refuse_others()
