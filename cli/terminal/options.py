"""Options and arguments that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

ProjectFile = Annotated[Path, typer.Argument(metavar="FILE", help="Project file (TOML).", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON value instead of text.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Faults only: no progress, warnings or summary.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files that exist already.")]
Debug = Annotated[bool, typer.Option("--debug", help="Print tracebacks, for a bug report.")]
AnyFolder = Annotated[
    bool, typer.Option("--any-folder", help="Let the manifest name files outside its folder, if you trust it.")
]
PageFile = Annotated[
    Path | None, typer.Option("--page", metavar="PAGE", help="Write it as a page as well: a .html or .pdf file.")
]
