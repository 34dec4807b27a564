"""Packages of a library of which one inner part is all that is needed."""

from __future__ import annotations

import sys
from importlib.util import find_spec, module_from_spec


def put_off(package: str) -> None:
    """Put off what a package does when it is imported until somebody asks for something of it.

    Its inner packages can be imported without that. A package that is imported already stays as it is, and
    of one that is not installed the import says so.
    """
    found = None if package in sys.modules else find_spec(package)
    if found is None or found.loader is None:
        return
    module, loader = module_from_spec(found), found.loader

    def begin(name: str) -> object:
        if vars(module).pop("__getattr__", None):
            loader.exec_module(module)
        return getattr(module, name)

    vars(module)["__getattr__"] = begin
    sys.modules[package] = module
    parent, _, name = package.rpartition(".")
    if parent:
        setattr(sys.modules[parent], name, module)
