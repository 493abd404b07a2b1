"""Moist air, lids, films of water and salts: formulas with their sources, valid ranges and uncertainties."""
