"""The evidence page: figures on phantoms of known truth, each beside its goal."""
