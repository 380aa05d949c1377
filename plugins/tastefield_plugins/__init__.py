"""Plugins that come with tastefield; they register exactly as a guest's do."""
