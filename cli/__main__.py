"""The program's start. Signals are seen to before anything else is loaded."""

from cli.terminal.ending import end_at_once


def run() -> None:
    """Entry point."""
    end_at_once()
    from cli.main import run as run_command  # noqa: PLC0415

    run_command()


if __name__ == "__main__":
    run()
