# Variances and degrees of freedom of plans: the values of test_design_blends_and_blocks.py.
# Run with R 4.2.2:
#   Rscript tests/published/r/design.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

set.seed(1)  # the readings are noise, and do not matter

within_days <- function(what, blocks) {
  day <- factor(rep(seq_along(blocks), lengths(blocks)))
  level <- factor(unlist(blocks))
  m <- lm(rnorm(length(level)) ~ day + level)
  tell(what, mean(diag(summary(m)$cov.unscaled)[paste0("level", 1:3)]))
  m$df.residual
}
test("test_incomplete_blocks_find_the_balanced_arrangement")
threes <- list(c(0, 1, 2), c(0, 1, 3), c(0, 2, 3), c(0, 1, 2), c(0, 3, 1), c(0, 2, 3))
df <- within_days("variance of a comparison, six days of three", threes)
tell("residual degrees of freedom, six days of three", df)

strata <- function(m) {
  residual <- function(stratum) tail(summary(m)[[paste("Error:", stratum)]][[1]][["Df"]], 1)
  tell("residual degrees of freedom of the strata (days, runs)", residual("day"), residual("Within"))
}
test("test_strata_of_a_split_plot, six days of three, air by day")
d <- expand.grid(colour = factor(1:3), day = factor(1:6))
d$air <- factor(as.integer(d$day) %% 2)
strata(aov(rnorm(18) ~ air * colour + Error(day), d))
test("test_strata_of_a_split_plot, eight days of four, two factors by day")
d <- expand.grid(p = factor(1:2), q = factor(1:2), a = factor(1:2), b = factor(1:2), again = 1:2)
d$day <- interaction(d$a, d$b, d$again)
strata(aov(rnorm(32) ~ (a + b + p + q)^2 + Error(day), d))
