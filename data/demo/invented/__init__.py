"""How the invented trials come about: chance, drying, crumbling, fizzing, and writing it all down."""
