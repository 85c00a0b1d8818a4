# Durations of fizz: the values of test_fizz_lifetimes.py.
# Run with R 4.2.2, survival 3.5.3, lme4 1.1.31, lmerTest 3.1.3 (Debian 12):
#   Rscript tests/published/r/fizz.R

suppressPackageStartupMessages({
  library(survival)
  library(lmerTest)
})
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

# Arrhenius: 1 / (R T) less that at the bath's temperature, mol/kJ
w <- function(celsius, bath) (1 / (celsius + 273.15) - 1 / (bath + 273.15)) / (8.31446261815324 / 1000)

test("test_arrhenius_line_of_censored_lives")
imotor$w <- w(imotor$temp, 180)
f <- survreg(Surv(time, status) ~ w, imotor, dist = "lognormal", control = list(rel.tolerance = 1e-12))
tell("intercept and activation energy, kJ/mol", coef(f))
tell("standard errors", sqrt(diag(vcov(f)))[1:2])
tell("log-scale spread", f$scale)
tell("log-likelihood", f$loglik[2])
tell("activation energy as told, kJ/mol", coef(f)["w"])

test("test_split_plot_of_known_times")
data(cake, package = "lme4")
cake$w <- w((as.numeric(as.character(cake$temperature)) - 32) / 1.8, 200)
m <- lmer(log(angle) ~ recipe + w + (1 | recipe:replicate), cake)
tell("intercept, recipes B and C, activation energy", coef(summary(m))[, "Estimate"])
tell("standard errors", coef(summary(m))[, "Std. Error"])
tell("sd of batches and pieces", as.data.frame(VarCorr(m))$sdcor)
on_the_time_scale <- logLik(refitML(m)) - sum(log(cake$angle))
tell("restricted likelihood refitted by maximum likelihood, on the time scale", on_the_time_scale)
tell("degrees of freedom of the heat", coef(summary(m))["w", "df"])
