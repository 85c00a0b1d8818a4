# Pooling over trials: the values of test_season_pooling.py.
# Run with R 4.2.2, metafor 3.8.1, metadat 1.2.0 (Debian 12):
#   Rscript tests/published/r/season.R

suppressPackageStartupMessages(library(metafor))
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

pooled <- function(r) {
  p <- predict(r)
  tell("estimate, ends, tau², I²", p$pred, p$ci.lb, p$ci.ub, r$tau2, r$I2 / 100)
}

test("test_bcg_hartung_knapp")
dat <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
tell("log relative risks (YI)", dat$yi)
tell("their variances (VI)", dat$vi)
tight <- list(threshold = 1e-12)
r <- rma(yi, vi, data = dat, method = "REML", test = "knha", control = tight)
pooled(r)
tell("degrees of freedom of t", r$ddf)
z <- rma(yi, vi, data = dat, method = "REML")
tell("95 % interval of tau", confint(z, control = list(tol = 1e-12))$random["tau", c("ci.lb", "ci.ub")])

test("test_four_trials_guarded")
pooled(rma(yi, vi, data = dat[c(2, 4, 8, 12), ], method = "REML", test = "adhoc", control = tight))

test("test_trials_more_alike_than_chance")
r <- rma(c(2, 2.02, 1.99, 2.01), c(0.01, 0.02, 0.015, 0.01), method = "REML", test = "adhoc")
tell("guarded: ends", r$ci.lb, r$ci.ub)
tell("tau and its ends", sqrt(r$tau2), confint(r)$random["tau", c("ci.lb", "ci.ub")])

close <- list(optimizer = "nlm", gradtol = 1e-12, steptol = 1e-12)
test("test_two_numbers_a_trial")
d <- dat.berkey1998
d$outcome <- factor(d$outcome, levels = c("PD", "AL"))  # level, slope
V <- vcalc(vi = 1, cluster = author, rvars = c(v1i, v2i), data = d)
r <- rma.mv(yi, V, mods = ~ outcome - 1, random = ~ outcome | trial, struct = "DIAG", data = d, method = "REML",
            control = close)
tell("level and slope", coef(r))
tell("their variances between trials", r$tau2)
tell("covariance, but for the guard", vcov(r))

test("test_lines_with_trials_of_one_air")
# made up: four trials with level and slope, two of one air: at log air 0.4 and -0.3 they see level + slope * that
lines <- function(level, slope) {
  own <- list(c(0.010, 0.004, 0.03), c(0.008, -0.006, 0.05), c(0.012, 0.002, 0.02), c(0.006, 0.001, 0.06))
  V <- bldiag(c(lapply(own, function(s) matrix(s[c(1, 2, 2, 3)], 2)), list(0.015, 0.020)))
  d <- data.frame(yi = c(rbind(level, slope), 2.2, 2.7), l = c(rep(1:0, 4), 1, 1), s = c(rep(0:1, 4), 0.4, -0.3),
                  trial = c(rep(1:4, each = 2), 5, 6))
  r <- rma.mv(yi, V, mods = ~ l + s - 1, random = ~ l + s - 1 | trial, struct = "GDIAG", data = d, method = "REML",
              control = close)
  tell("variances between trials", r$tau2)
  tell("level and slope", coef(r))
  tell("covariance but for the guard", vcov(r)[c(1, 2, 4)])
}
lines(c(2.30, 2.45, 2.22, 2.61), c(-0.20, -0.90, -1.20, -0.35))
lines(c(2.30, 2.45, 2.22, 2.61), c(-0.62, -0.48, -0.80, -0.55))

test("test_average_of_two_trials")
r <- rma(yi, vi, data = dat[c(2, 4), ], method = "FE")
tell("average of two trials whose errors are known, ends", r$beta, r$ci.lb, r$ci.ub)
tell("p of their differing", r$QEp)

test("test_whether_trials_differ_counts_how_few_batches_each_had")
tell("means", tapply(PlantGrowth$weight, PlantGrowth$group, mean))
tell("their standard errors", tapply(PlantGrowth$weight, PlantGrowth$group, function(x) sd(x) / sqrt(length(x))))
tell("p of three groups alike", oneway.test(weight ~ group, PlantGrowth)$p.value)
tell("p of two groups alike", t.test(weight ~ group, subset(PlantGrowth, group != "ctrl"))$p.value)
