"""Captures and buses to chunks of frames."""
