"""Templates: what a designer made, and where the subject stands in it."""

from stream.template.layers import Layer, LayerGroup
from stream.template.loader import load_template
from stream.template.nudge import Nudge
from stream.template.ora_write import OraGroup, OraLayer, write_ora
from stream.template.template import Template, TemplateFile, preview_size

__all__ = [
    "Layer",
    "LayerGroup",
    "Nudge",
    "OraGroup",
    "OraLayer",
    "Template",
    "TemplateFile",
    "load_template",
    "preview_size",
    "write_ora",
]
