"""Settings that all tests share."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "fast", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
settings.register_profile("deep", parent=settings.get_profile("fast"), max_examples=2000)
settings.load_profile("deep" if os.environ.get("CANMAP_DEEP") else "fast")
