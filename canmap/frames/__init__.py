"""1. Captures and buses to chunks of frames."""
