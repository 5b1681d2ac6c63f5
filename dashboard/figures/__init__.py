"""Figures: arrays in, plotly figures out. Nothing here reads a store or knows a page."""
