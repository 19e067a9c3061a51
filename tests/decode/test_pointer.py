"""JSON Pointer against the examples of RFC 6901 and against the `jsonpointer` library."""

import json
from typing import Any

import jsonpointer
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.decode import Reason, Refused, pointer

_TEXT = st.text(alphabet="ab01-~/ é", max_size=3)
_DOCUMENTS = st.recursive(
    st.none() | st.booleans() | st.integers() | _TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXT, inner, max_size=3),
    max_leaves=12,
)


def find(document: Any, text: str) -> Any:
    return pointer.find(document, pointer.split(text))


def test_examples_of_the_rfc(format_checks: dict[str, dict[str, Any]]) -> None:
    """RFC 6901 section 5."""
    row = format_checks["jsonpointer"]
    document = row["inputs"]["doc"]
    assert find(document, "") == document
    found = [find(document, text) for text in row["inputs"]["pointers"]]
    assert found == row["expected"]["values"]


@pytest.mark.parametrize("text", ["a", "foo/bar", "/a~2", "/~", "#/foo"])
def test_what_is_no_pointer(text: str) -> None:
    """RFC 6901 section 3."""
    with pytest.raises(ValueError, match="JSON Pointer"):
        pointer.split(text)


@pytest.mark.parametrize(
    "text", ["/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/1 ", "/foo/\u0661", "/bar", "/foo/0/x", "//x"]
)
def test_pointers_that_miss(text: str) -> None:
    """RFC 6901 section 4: no leading zeros, and "-" is beyond the last element."""
    with pytest.raises(Refused) as refusal:
        find({"foo": ["bar", "baz"], "": 0}, text)
    assert refusal.value.reason is Reason.POINTER_MISS


def test_escapes_are_undone_in_the_right_order() -> None:
    """RFC 6901 section 4: "~01" is "~1", not "/"."""
    assert pointer.split("/~01") == ("~1",)
    assert pointer.split("/~10") == ("/0",)


@given(_DOCUMENTS, st.lists(_TEXT, max_size=3))
def test_agrees_with_the_library(document: Any, tokens: list[str]) -> None:
    """jsonpointer is the general-purpose reference."""
    text = jsonpointer.JsonPointer.from_parts(tokens).path
    assert pointer.split(text) == tuple(tokens)
    try:
        expected = json.dumps(jsonpointer.resolve_pointer(document, text))
    except (jsonpointer.JsonPointerException, TypeError):  # TypeError: its "end of list" marker
        with pytest.raises(Refused):
            find(document, text)
    else:
        assert json.dumps(find(document, text)) == expected
