"""Our own TOML files as text and as a document with line numbers, each fault in words."""

import re
import tomllib
from pathlib import Path
from typing import Any

from earwitness.errors import Fault, InputError
from earwitness.session.toml_lines import Path as Keys
from earwitness.session.toml_lines import key_lines, need_modest


def read_toml(
    path: Path,
    what: str,
    *,
    most_kib: int = 1024,
    larger: str = "give the right file",
    missing: InputError | None = None,
) -> str:
    """The text of the file. what : its name in errors; larger : what to do where it is over `most_kib`; missing : the
    error where there is none. Raises InputError where it cannot be read."""
    try:
        if path.stat().st_size > most_kib * 1024:
            size = f"{most_kib // 1024} MiB" if most_kib >= 1024 else f"{most_kib} KiB"
            raise InputError(f"{what} is over {size}", where=str(path), remedy=larger)
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{what} is not UTF-8 text", where=str(path), remedy="save it as UTF-8") from None
    except (OSError, ValueError) as error:
        if missing is not None and isinstance(error, FileNotFoundError):
            raise missing from None
        reason = getattr(error, "strerror", None) or str(error)
        told = f"{what} cannot be read: {reason}"
        raise InputError(told, where=str(path), remedy="check path and permissions") from None


def parsed_toml(text: str, file: str) -> tuple[dict[str, Any], dict[Keys, int]] | Fault:
    """The document and the line of each of its keys, or the fault of a text that is no TOML. file : its name there."""
    try:
        need_modest(text)
        return tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        is_deep = isinstance(error, RecursionError)
        found = re.search(r"line (\d+)", str(error))
        return Fault(
            "brackets are nested too deeply" if is_deep else f"this is not TOML: {error}",
            file,
            int(found[1]) if found and not is_deep else None,
            remedy="mend this line; text stands in quotes, numbers without unit and with a point, lists in brackets",
        )
