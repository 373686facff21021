"""One row of the table of characteristics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.measure.characteristics.common import Context, Finding
    from runner.measure.specs import CharacteristicSpec


@dataclass(frozen=True)
class Kind:
    """One kind of characteristic."""

    name: str
    sentence: str
    """What is asked, with ``{features}``, ``{limits}`` and ``{datums}`` to be filled in."""
    features: tuple[str, ...]
    """Kinds of features it may be asked of; empty for none."""
    count: tuple[int, int | None]
    """Fewest and most features."""
    geometrical: bool
    """Whether it is given by a zone (True) or by limits (False)."""
    datums: str
    """``none``, ``allowed`` or ``needed``."""
    iso: str
    asme: str
    formula: str
    where: str
    """``module:function`` that evaluates it."""
    quantities: tuple[str, ...] = ()
    """Words of ``CharacteristicSpec.quantity``, the first being the usual one; empty where the kind has one value."""

    @property
    def evaluate(self) -> Callable[[CharacteristicSpec, Context], list[Finding]]:
        """The function, loaded when first asked for."""
        module, function = self.where.split(":")
        loaded: Callable[[CharacteristicSpec, Context], list[Finding]] = getattr(
            import_module(f"runner.measure.characteristics.{module}"), function
        )
        return loaded


ROUND = ("cylinder", "circle")
AXES = ("cylinder", "cone", "line")
