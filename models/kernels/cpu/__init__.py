"""Kernels for CPUs, compiled by numba; no compiler is needed on the machine."""
