# The probit of drops: the values of test_crumble_drops.py.
# Run with R 4.2.2, lme4 1.1.31, MASS 7.3.58.2, brglm2 0.9 (Debian 12):
#   Rscript tests/published/r/drops.R

suppressPackageStartupMessages({
  library(lme4)
  library(MASS)
  library(brglm2)
})
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

test("test_penalised_fit_where_likelihood_has_no_maximum")
m <- glm(HG ~ NV + PI + EH, family = binomial("probit"), data = endometrial, method = "brglmFit", type = "MPL_Jeffreys")
tell("penalised probit coefficients", coef(m))

test("test_batch_effect_against_a_generalised_mixed_model")
# made up: twelve batches of eight drops, from 30, 45, 60, 90 cm, twice; 1 is broke
broke <- c(
  "00110111", "00000001", "01110001", "00110011", "00110111", "00010001", "00000001", "00010001", "00110011",
  "00110011", "00110001", "00010001"
)
d <- data.frame(
  run = factor(rep(1:12, each = 8)), colour = rep(rep(c("dye", "lake"), each = 8), 6),
  height_cm = c(30, 45, 60, 90), broke = as.integer(unlist(strsplit(broke, "")))
)
k <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-10)
m <- glmer(broke ~ log(height_cm) + colour + (1 | run), d, binomial("probit"), nAGQ = 21, control = k)
without <- glmer(broke ~ log(height_cm) + (1 | run), d, binomial("probit"), nAGQ = 21, control = k)
tell("height", fixef(m)["log(height_cm)"])
tell("colour", fixef(m)["colourlake"])
tell("intercept", fixef(m)["(Intercept)"])
tell("sd of batches", as.data.frame(VarCorr(m))$sdcor)
tell("log-likelihood", logLik(m))
tell("log-likelihood without colour", logLik(without))
tell("likelihood ratio of colour", 2 * (logLik(m) - logLik(without)))

test("test_without_batches_it_is_the_plain_probit_dose_response")
h <- rep(c(30, 45, 60, 90), 3)
y <- c(0, 1, 6, 10, 1, 3, 7, 9, 0, 2, 5, 10)
m <- glm(cbind(y, 10 - y) ~ log(h), family = binomial("probit"))
tell("intercept and slope", coef(m))
tell("height at which half break, cm", exp(dose.p(m, p = 0.5)))
m <- glm(cbind(y, 10 - y) ~ log(h), family = binomial("probit"), method = "brglmFit", type = "MPL_Jeffreys")
tell("penalised intercept and slope", coef(m))
