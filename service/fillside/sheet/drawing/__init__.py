"""Pages as strokes, areas and text in millimetres, and their rendering as PDF or SVG."""
