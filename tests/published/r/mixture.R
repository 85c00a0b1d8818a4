# A mixture of three yarns: the values of test_yarn_mixture in test_effects_surfaces.py.
# Run with R 4.2.2:
#   Rscript tests/published/r/mixture.R
# The data are J. A. Cornell's, as printed in the help page of R's mixexp (ModelPlot).

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

yarn <- data.frame(
  x1 = c(1, 1, 0.5, 0.5, 0.5, 0, 0, 0, 0, 0, 0, 0, 0.5, 0.5, 0.5),
  x2 = c(0, 0, 0.5, 0.5, 0.5, 1, 1, 0.5, 0.5, 0.5, 0, 0, 0, 0, 0),
  x3 = c(0, 0, 0, 0, 0, 0, 0, 0.5, 0.5, 0.5, 1, 1, 0.5, 0.5, 0.5),
  y = c(11, 12.4, 15, 14.8, 16.1, 8.8, 10, 10, 9.7, 11.8, 16.8, 16, 17.7, 16.4, 16.6)
)
test("test_yarn_mixture")
s <- coef(summary(lm(y ~ 0 + x1 + x2 + x3 + x1:x2 + x1:x3 + x2:x3, yarn)))
tell("coefficients", s[, "Estimate"])
tell("standard errors", s[, "Std. Error"])
tell("p of the blends", s[4:6, "Pr(>|t|)"])
tell("F of x1:x2", s["x1:x2", "t value"]^2)
