"""The stages of a run, one function each, none importing another; the workflow puts them in a row."""
