"""The sections of the published page, as objects that show themselves in a notebook."""
