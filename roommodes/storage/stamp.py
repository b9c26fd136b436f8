"""When something was made, as files say it."""

from datetime import UTC, datetime


def now_utc() -> str:
    """The time in ISO 8601, with Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
