"""Cautions as the pages show them; what they say is in standards/cautions.toml."""

from indexhole.standards.cautions import DEFERS, Caution, cautions_for

__all__ = ["DEFERS", "Caution", "cautions_for"]
