"""`roommodes schema`: the JSON Schema of the project file or the manifest, for completion in editors."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from typing import Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Json
from cli.terminal.output import print_json


@guarded
def schema(
    manifest: Annotated[bool, typer.Option("--manifest", help="That of a manifest of measurements instead.")] = False,
    study: Annotated[bool, typer.Option("--study", help="That of the study file instead.")] = False,
    as_json: Json = True,
    debug: Debug = False,
) -> None:
    """Print the JSON Schema of the project file, for completion in editors.

    Example: roommodes schema > project.schema.json
    """
    from roommodes.measured.manifest import manifest_schema
    from roommodes.project.reading import project_schema

    if study:
        from roommodes.studies.reading import study_schema

        print_json(study_schema())
        return
    print_json(manifest_schema() if manifest else project_schema())
