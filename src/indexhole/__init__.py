"""Indexhole: the bench book of a keeper of vintage flexible-disk drives."""

__version__ = "0.1.0"
