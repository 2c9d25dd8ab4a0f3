"""keysback: closes out a car repair with evidence, and says whether the keys can go back."""

from __future__ import annotations

__version__ = "0.1.0"
