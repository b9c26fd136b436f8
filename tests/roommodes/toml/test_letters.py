"""What people write is text; what hides, turns or ends a line is not."""

import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.reading import parse_project
from roommodes.toml.letters import unsafe
from tests.rooms import SMALL

TEXTS = (
    "\U0001f468\u200d\U0001f469\u200d\U0001f467\u200d\U0001f466 family room",
    "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645",  # Persian, with a joiner that keeps letters apart
    "\u0915\u094d\u200d\u0937",  # Hindi, with a half letter
    "\U0001f3f4\U000e0067\U000e0062\U000e0073\U000e0063\U000e0074\U000e007f",  # a flag with its region
    "\u2764\ufe0f\u200d\U0001f525 Kino für José, 映画館",
)
HIDDEN = (
    ("room\u200d", 4),
    ("\u200croom", 0),
    ("ro\u200dom", 2),  # in Latin it joins nothing and makes two names look alike
    ("می\u200c\u200cخواهم", 2),
    ("room \u202egnp.exe", 5),
    ("room\u2028two", 4),
    ("room\x1b[2J", 4),
    ("room\U000e0041", 4),
    ("\ufeffroom", 0),
)


@pytest.mark.parametrize("text", TEXTS)
def test_joiners_within_words_and_signs_are_text(text: str) -> None:
    assert not any(unsafe(text))
    project = parse_project(SMALL.replace("small room", text), source="small.toml")
    assert project.name == text


@pytest.mark.parametrize(("text", "place"), HIDDEN)
def test_what_hides_or_turns_text_is_refused(text: str, place: int) -> None:
    assert unsafe(text)[place]
    quoted = "".join(f"\\U{ord(letter):08x}" for letter in text)
    with pytest.raises(ProjectInvalid, match="control character"):
        parse_project(SMALL.replace("small room", quoted), source="small.toml")
