"""The register: what stands on the shelf and what happened to it, in one folder."""
