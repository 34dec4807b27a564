"""Payloads, the other way: values to bits, rolling counters and checksums; for whoever checks or sends."""
