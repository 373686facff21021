"""The recipe language, version 1: text in, a checked recipe or all its problems out.

``load.load_recipe`` is the way in; ``translate.to_plan`` the way on to measuring.
"""
