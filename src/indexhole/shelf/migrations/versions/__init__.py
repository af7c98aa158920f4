"""Numbered changes of the register's schema, run when a shelf is opened."""
