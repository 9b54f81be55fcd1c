"""How the reader's weights are made: fonts and words fetched by name, lines drawn, net trained, file written.

Nothing here runs when pages are measured. The order of work is in `MODEL_CARD.md` beside the weights.
"""
