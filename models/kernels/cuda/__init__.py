"""Kernels for CUDA devices, written in Triton; replayed as CUDA graphs."""
