"""Which letters of a text of unknown origin may reach a terminal, a table or a page as they are."""

import unicodedata

_UNSAFE = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # control, invisible and direction marks, halves, separators
_JOINERS = "\u200c\u200d"  # Persian and Indic words, and emoji of several people, are written with them
_TAGS = range(0xE0020, 0xE0080)  # spell the region of a flag


def unsafe(text: str) -> list[bool]:
    """Letter by letter, whether it is a control character, or invisible and not part of what is written.

    A joiner between two letters or signs is a letter like others, and so are the tags behind a black flag.
    """
    return [_is_unsafe(text, place) for place in range(len(text))]


def spelled_out(text: str, limit: int) -> str:
    """The text on one line, unsafe letters as their escapes (``\\n``), cut to `limit` letters."""
    shown = "".join(_escape(letter) if bad else letter for letter, bad in zip(text, unsafe(text), strict=True))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def _escape(letter: str) -> str:
    return letter.encode("unicode_escape", errors="backslashreplace").decode("ascii")


def _is_unsafe(text: str, place: int) -> bool:
    letter = text[place]
    if unicodedata.category(letter) not in _UNSAFE:
        return False
    if letter in _JOINERS:
        return not (0 < place < len(text) - 1 and _is_written(text[place - 1]) and _is_written(text[place + 1]))
    if ord(letter) in _TAGS:
        first = place
        while first and ord(text[first]) in _TAGS:
            first -= 1
        return text[first] != "\U0001f3f4"
    return True


def _is_written(letter: str) -> bool:
    """Letters beyond Latin, their marks, and signs, as stand beside a joiner."""
    category = unicodedata.category(letter)
    return not letter.isascii() and (category[0] in "LM" or category in ("So", "Sk"))
