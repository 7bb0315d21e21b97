"""Integrals of light over discs: rules of quadrature, and rings about the foot of a receptor."""
