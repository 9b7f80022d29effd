"""Every public function and class says what goes in and what comes out (numpydoc's own checks)."""

import importlib
import inspect
import pkgutil
from collections.abc import Iterator

import pytest
from numpydoc.validate import validate

import waveworks

# Parameters missing, unknown, out of order or without type; returns and yields undocumented.
CHECKS = {"GL08", "PR01", "PR02", "PR03", "PR04", "PR10", "RT01", "YD01", "SS03"}


def public_names() -> Iterator[str]:
    for info in pkgutil.walk_packages(waveworks.__path__, "waveworks."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        for name, thing in vars(module).items():
            if name.startswith("_") or getattr(thing, "__module__", None) != info.name:
                continue
            if inspect.isfunction(thing) or inspect.isclass(thing):
                yield f"{info.name}.{name}"
            if inspect.isclass(thing):
                for method, value in vars(thing).items():
                    if not method.startswith("_") and inspect.isfunction(value):
                        yield f"{info.name}.{name}.{method}"


@pytest.mark.parametrize("name", sorted(set(public_names())))
def test_a_public_docstring_is_complete(name: str) -> None:
    found = {code: text for code, text in validate(name)["errors"] if code in CHECKS}
    # A single line that says what is returned needs no section of its own.
    docstring = validate(name)["docstring"]
    if "\n" not in docstring.strip() and docstring.strip().startswith(
        ("Return", "The ", "Whether")
    ):
        found.pop("RT01", None)
    assert found == {}
