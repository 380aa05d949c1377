"""Figures: each file draws one thing, from numbers to the text of an SVG; nothing here fits, reads or writes."""
