"""Records, findings and changes as tables and lines: a sink a form."""
