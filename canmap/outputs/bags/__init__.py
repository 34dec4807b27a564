"""Bags: messages of topics as MCAP files, written from columns, and bags that were cut off made whole."""
