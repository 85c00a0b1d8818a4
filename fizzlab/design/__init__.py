"""Plans: which batches to make, in which order, on which days, what they can tell and how little they see.

`fizzlab.design.kinds` lists the kinds of plan, `fizzlab.design.plan` makes one, `fizzlab.design.power` says
what it can detect. Nothing is imported here, so that reading trial.toml loads no search and no scipy.
"""
