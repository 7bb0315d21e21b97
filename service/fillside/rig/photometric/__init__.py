"""Codecs of photometric files, a laboratory's measurements of a lamp's intensity distribution."""
