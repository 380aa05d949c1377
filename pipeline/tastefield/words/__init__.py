"""The words of the project: columns with unit and meaning, the catalogue of findings, the cautions."""
