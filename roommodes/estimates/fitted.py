"""Whether a project's room was fitted to measurements: `fit` says so in the head of what it writes."""

from roommodes.project.project import Project

CORRECTED = "# Corrected by `roommodes fit` from"


def was_fitted(project: Project) -> bool:
    """Whether `fit` wrote this project's file, whatever was changed in it since."""
    return CORRECTED in project.toml_text
