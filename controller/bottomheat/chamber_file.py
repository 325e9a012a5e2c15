"""A chamber of somebody's own: a class in a Python file, loaded and built."""

from __future__ import annotations

import importlib.util
import inspect
import itertools
import sys
from pathlib import Path
from typing import cast

from bottomheat.errors import InputError
from bottomheat.rehearse_models import ChamberModel

_modules = itertools.count(1)


def load_chamber_class(named: str) -> type[ChamberModel]:
    """Load the class of ``FILE.py:CLASS``.

    Raises:
        InputError: there is no such file or class, or the file does not run.
    """
    file, colon, name = named.rpartition(":")
    if not colon or not file or not name.isidentifier():
        raise InputError(f"the chamber {named!r} is not of the form FILE.py:CLASS; write both.")
    path = Path(file)
    if not path.is_file():
        raise InputError(f"the chamber file {path} does not exist or is no file; check its path.")
    # A name of its own each time: two chambers of the same file name must not share a module.
    spec = importlib.util.spec_from_file_location(f"_rehearsed_chamber_{next(_modules)}", path)
    if spec is None or spec.loader is None:
        raise InputError(f"the chamber file {path} is no Python file; its name has to end in .py.")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up there
    sys.path.append(str(path.parent.resolve()))  # for what lies beside it; at the end: no shadows
    try:
        spec.loader.exec_module(module)
    except SyntaxError as error:
        raise InputError(
            f"the chamber file {path} has a syntax error in line {error.lineno}: {error.msg}."
        ) from error
    except (Exception, SystemExit) as error:
        raise InputError(
            f"the chamber file {path} fails when it is loaded, with {_said(error)}."
        ) from error
    found = getattr(module, name, None)
    if not inspect.isclass(found):
        raise InputError(f"the chamber file {path} has no class {name}; check its spelling.")
    for method in ("advance", "temperature"):
        if not callable(getattr(found, method, None)):
            raise InputError(
                f"the chamber {named} has no method {method}; a chamber needs "
                "advance(seconds, heater_watts, room_c) and temperature(place)."
            )
    return cast("type[ChamberModel]", found)


def build_chamber(kind: type[ChamberModel], label: str) -> ChamberModel:
    """Make one chamber.

    Raises:
        InputError: its constructor fails.
    """
    try:
        return kind()
    except Exception as error:
        raise InputError(
            f"the chamber {label} cannot be built without arguments: {_said(error)}."
        ) from error


def _said(error: BaseException) -> str:
    first = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {first}" if first else type(error).__name__
