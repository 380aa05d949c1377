"""Fitting and inference on plain arrays. Every file stands alone: none imports a sibling."""
