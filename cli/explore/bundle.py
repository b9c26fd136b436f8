"""The page's modules joined into one script, since a page opened from a file can load no module.

Each file becomes a function that returns what it exports; an import takes the names out of that. The files keep to
what this reads: imports from "./name.js" at the top, exports before a function, class or const.
"""

import re
from importlib.resources import files

IMPORT = re.compile(r'^import \{([^}]*)\} from "\./(\w+)\.js";\n', flags=re.MULTILINE)
EXPORT = re.compile(r"^export ((?:async )?function\*?|class|const) (\w+)", flags=re.MULTILINE)
COMMENT = re.compile(r"^[ \t]*/\*\*(?:(?!\*/).)*\*/\n", flags=re.MULTILINE | re.DOTALL)


def bundled(entry: str) -> str:
    """One script: the module `entry` and all that it imports, in an order in which each finds what it needs."""
    order: list[str] = []
    parts: dict[str, str] = {}

    def add(name: str, above: tuple[str, ...]) -> None:
        if name in above:
            raise ValueError(f"the scripts import each other in a circle: {' -> '.join((*above, name))}")
        if name in parts:
            return
        text = files("cli.explore.script").joinpath(f"{name}.js").read_text(encoding="utf-8")
        for _, needed in IMPORT.findall(text):
            add(needed, (*above, name))
        parts[name] = _as_function(name, text)
        order.append(name)

    add(entry, ())
    return '"use strict";\n(() => {\n' + "".join(parts[name] for name in order) + "})();\n"


def _as_function(name: str, text: str) -> str:
    exported = [found[1] for found in EXPORT.findall(text)]
    body = IMPORT.sub(lambda found: f"const {{{found[1]}}} = m_{found[2]};\n", COMMENT.sub("", text))
    body = EXPORT.sub(r"\1 \2", body)
    return f"const m_{name} = (() => {{\n{body.strip()}\nreturn {{ {', '.join(exported)} }};\n}})();\n"
