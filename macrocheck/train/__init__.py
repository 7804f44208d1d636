"""How the network's weights came to be: needs the extra `macrocheck[train]` and is imported by no stage."""
