"""Conditioning: raw streams of any rate brought onto one clean, common clock."""

from sailanalysis.condition.conditioning import condition

__all__ = ["condition"]
