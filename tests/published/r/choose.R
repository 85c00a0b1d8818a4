# Expected values and chances of a chosen recipe: the values of test_choose_desirability.py.
# Run with R 4.2.2:
#   Rscript tests/published/r/choose.R

tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

# the mean of n new batches: estimate and 95 % bounds
bounds <- function(q, n) {
  half <- qt(0.975, q$df) * sqrt(q$se.fit^2 + q$residual.scale^2 / n)
  c(q$fit, q$fit - half, q$fit + half)
}

# abrasion of a tire tread compound (Derringer and Suich 1980), coded
silica <- c(rep(c(-1, 1), 4), -1.633, 1.633, rep(0, 10))
silane <- c(-1, -1, 1, 1, -1, -1, 1, 1, 0, 0, -1.633, 1.633, rep(0, 8))
sulfur <- c(1, -1, -1, 1, -1, 1, 1, -1, rep(0, 4), -1.633, 1.633, rep(0, 6))
abrasion <- c(102, 120, 117, 198, 103, 132, 132, 139, 102, 154, 96, 163, 116, 153, 133, 133, 140, 142, 145, 142)
m <- lm(abrasion ~ (silica + silane + sulfur)^2 + I(silica^2) + I(silane^2) + I(sulfur^2))
q <- predict(m, data.frame(silica = -0.0533, silane = 0.144, sulfur = -0.872), se.fit = TRUE)

test("test_confirmation_bounds")
tell("expected mean of 1 new batches, with 95 % bounds", bounds(q, 1))
tell("expected mean of 4 new batches, with 95 % bounds", bounds(q, 4))

test("test_chance_to_meet_a_limit")
tell("chance of at least 120, by 40,000 draws", pt((q$fit - 120) / sqrt(q$se.fit^2 + q$residual.scale^2), q$df))

test("test_two_groups_confirmed")
colour <- factor(rep(c("dye", "lake"), 3))
hours <- c(4.0, 6.1, 4.4, 6.5, 4.2, 6.0)
q <- predict(lm(hours ~ colour), data.frame(colour = "lake"), se.fit = TRUE)
tell("95 % bounds of the mean of three new batches", bounds(q, 3)[2:3])
