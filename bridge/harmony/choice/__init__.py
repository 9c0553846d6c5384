"""The choice of variants: what there is (`variants`), what it costs (`costs`), the least of it (`search`),
for a whole piece (`follow`) or while it is played (`on_the_spot`).
"""
