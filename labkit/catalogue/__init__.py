"""The catalogue: every sheet that plugins and folders bring, by kind and name."""

from labkit.catalogue.catalogue import Catalogue, CatalogueItem, catalogue, load_catalogue
from labkit.catalogue.named import NETLIST_SUFFIXES, catalogue_only, find_sheet, is_path

__all__ = [
    "NETLIST_SUFFIXES",
    "Catalogue",
    "CatalogueItem",
    "catalogue",
    "catalogue_only",
    "find_sheet",
    "is_path",
    "load_catalogue",
]
