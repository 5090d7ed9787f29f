"""The catalogue: every sheet that plugins and folders bring, by kind and name."""

from labkit.catalogue.catalogue import Catalogue, CatalogueItem, catalogue, load_catalogue

__all__ = ["Catalogue", "CatalogueItem", "catalogue", "load_catalogue"]
