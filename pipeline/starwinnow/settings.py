"""Choices the observer can make; everything else is a sourced constant where it is used."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["AIMS", "MEANS", "Aim", "Mean", "Settings"]

Aim = Literal["depth", "glow", "detail"]
Mean = Literal["unscaled", "scaled"]
AIMS: tuple[Aim, ...] = ("depth", "glow", "detail")
MEANS: tuple[Mean, ...] = ("unscaled", "scaled")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the stack is for and how it is made.

    Attributes
    ----------
    aim : {'depth', 'glow', 'detail'}
        `depth` for stars and faint galaxies, `glow` for extended light, `detail` for fine
        structure.
    mean : {'unscaled', 'scaled'}
        Whether frames enter the mean as they are, or scaled first to equal flux.
    """

    aim: Aim = "depth"
    mean: Mean = "unscaled"
