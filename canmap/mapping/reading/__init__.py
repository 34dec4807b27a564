"""The YAML of a spec: its text, its grammar, its mistakes."""
