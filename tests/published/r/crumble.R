# Agreement of raters, intervals of shares: the values of test_crumble_agreement.py.
# Run with R 4.2.2 and irr 0.84.1 (from CRAN; Debian 12 has no package of it):
#   Rscript tests/published/r/crumble.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

test("test_krippendorff_c")
# Krippendorff's data C: four observers (columns) of twelve units
c_units <- matrix(scan(quiet = TRUE, na.strings = ".", text = "
1 1 . 1  2 2 3 2  3 3 3 3  3 3 3 3  2 2 2 2  1 2 3 4  4 4 4 4  1 1 2 1  2 2 2 2  . 5 5 5  . . 1 1  . . 3 .
"), nrow = 4)
if (requireNamespace("irr", quietly = TRUE)) {
  tell("alpha, ordinal", irr::kripp.alpha(c_units, "ordinal")$value)
  data(anxiety, package = "irr")
  test("test_anxiety_against_another_implementation")
  tell("what irr gives (in error: see the test)", irr::kripp.alpha(t(anxiety), "ordinal")$value)
} else {
  cat("irr is not here\n")
}

test("test_wilson_intervals")
tell("Wilson interval of 5 of 25", prop.test(5, 25, correct = FALSE)$conf.int)
tell("Wilson interval of 0 of 12", prop.test(0, 12, correct = FALSE)$conf.int)
