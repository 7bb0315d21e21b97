"""Photometric files: how a lamp's light spreads, as its maker's laboratory measured it. Codecs only."""
