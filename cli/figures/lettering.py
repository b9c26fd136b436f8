"""Heights of lettering, and about how wide a text is on paper."""

SMALL_MM, NORMAL_MM, LARGE_MM = 2.5, 3.5, 5.0  # heights of lettering, ISO 3098-1 (from memory)
LETTER_WIDTH = 0.72  # width of a letter over its height, on the generous side
WIDE_LETTERS, FIRST_WIDE, WIDE_WIDTH = "WMwm@%", 0x2E80, 1.25


def text_width(text: str, height: float = SMALL_MM) -> float:
    """About how long a text is on paper [mm]."""
    wide = sum(letter in WIDE_LETTERS or ord(letter) >= FIRST_WIDE for letter in text)
    return height * (LETTER_WIDTH * len(text) + (WIDE_WIDTH - LETTER_WIDTH) * wide)


def fitted(text: str, room: float, height: float) -> str:
    """The text, cut so that it is no longer on paper than `room` [mm]."""
    if text_width(text, height) <= room:
        return text
    while text and text_width(text + "…", height) > room:
        text = text[:-1]
    return text + "…"
