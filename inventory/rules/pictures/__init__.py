"""Pictures as bytes: SVG, PNG or PDF from plain facts, drawn with matplotlib and without any server.

`words` clean and measure text, `scales` turn values into places, `style` holds colours and sizes, `sheet` is
what is drawn on, `svg` makes the text of an SVG safe under a strict policy. One module for each picture.
"""
