"""Every reader of outside data, fed bytes that coverage chooses (docs/fuzzing.md)."""
