"""The second hand: a renderer that shares nothing with the first, for honest evaluation.

`cut.render` draws one cut, `others.render_other` what is no cut bud, `folder` whole folders. It is
never used for training or tuning the default model.
"""
