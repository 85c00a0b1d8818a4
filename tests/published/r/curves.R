# Profile intervals of three of NIST's sets: the values of test_profile_intervals_against_r in test_curves_nist.py.
# Run with R 4.2.2, in the project's folder (it reads NIST's files beside the tests):
#   Rscript tests/published/r/curves.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

interval <- function(name, first, last, b1_times, range) {
  lines <- readLines(file.path("tests/published/nist_strd", paste0(name, ".dat")))[first:last]
  d <- read.table(text = lines, col.names = c("y", "x"))
  # everything linear in b1 is profiled out by lm()
  rss <- function(b2) sum(resid(lm(y ~ 0 + I(b1_times(x, b2)), d))^2)
  o <- optimize(rss, range, tol = 1e-12)
  limit <- o$objective * (1 + qf(0.95, 1, nrow(d) - 2) / (nrow(d) - 2))
  end <- function(to) uniroot(function(b2) rss(b2) - limit, sort(c(to, o$minimum)), tol = 1e-13)$root
  tell(paste0(name, ": interval of b2"), end(range[1]), end(range[2]))
}
rise <- function(x, b2) 1 - exp(-b2 * x)

test("test_profile_intervals_against_r")
interval("BoxBOD", 61, 66, rise, c(0.1, 3))
interval("Misra1a", 61, 74, rise, c(4e-4, 7e-4))
interval("DanWood", 61, 66, function(x, b2) x^b2, c(3, 5))
