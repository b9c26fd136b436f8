"""A sheet as the bytes of a file."""
# ruff: noqa: PLC0415 (only what the format needs is loaded)

from cli.drawing.primitives import Sheet


def sheet_file(sheet: Sheet, suffix: str) -> bytes:
    """A sheet as PDF, SVG or DXF, as the suffix says."""
    if suffix.lower() == ".dxf":
        from cli.drawing.dxf import sheet_dxf

        return sheet_dxf(sheet)
    from cli.drawing.paper import sheet_bytes

    return sheet_bytes(sheet, suffix)
