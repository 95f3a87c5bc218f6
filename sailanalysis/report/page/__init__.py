"""Sections, tables, words, and the page they are rendered into."""
