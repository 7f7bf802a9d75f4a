"""Pages in true size and for the bench: cards, template, job sheet, preview.

In: `Drawing` or a panel. Out: PDF or PNG bytes, read back where a length counts.
May import: drawing.
"""
