# Touch checks: the values of test_touch_survreg.py and test_touch_mixed.py.
# Run with R 4.2.2, survival 3.5.3, lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2 (Debian 12):
#   Rscript tests/published/r/touch.R

suppressPackageStartupMessages({
  library(survival)
  library(lmerTest)  # loads lme4; its Kenward-Roger is pbkrtest's
})
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")

# ---- plain fits of brackets ----

# Breast cosmesis (Finkelstein and Wolfe 1985), as in bcos of the R package interval: 46 radiotherapy alone, 48 with
# chemotherapy; months. NA is "still well when last seen".
left <- c(
  45, 6, 0, 46, 46, 7, 17, 7, 37, 0, 4, 15, 11, 22, 46, 46, 25, 46, 26, 46, 27, 36, 46, 36, 37, 40, 17, 46, 11, 38, 5,
  37, 0, 18, 24, 36, 5, 19, 17, 24, 32, 33, 19, 37, 34, 36, 8, 0, 24, 17, 17, 24, 16, 13, 11, 16, 18, 17, 32, 23, 44,
  14, 0, 5, 12, 11, 33, 31, 13, 19, 34, 13, 16, 35, 15, 11, 22, 10, 30, 13, 10, 8, 4, 11, 14, 4, 34, 30, 18, 16, 35,
  21, 11, 48
)
right <- c(
  NA, 10, 7, NA, NA, 16, NA, 14, 44, 8, 11, NA, 15, NA, NA, NA, 37, NA, 40, NA, 34, 44, NA, 48, NA, NA, 25, NA, 18, NA,
  12, NA, 5, NA, NA, NA, 11, 35, 25, NA, NA, NA, 26, NA, NA, NA, 12, 22, 31, 27, 23, 30, 24, NA, 13, 20, 25, 26, NA,
  NA, 48, 17, 5, 8, 20, NA, 40, NA, 39, 32, NA, NA, 24, NA, 22, 17, 32, 35, 34, NA, 17, 21, 9, NA, 19, 8, NA, 36, 24,
  60, 39, NA, 20, NA
)
cosmesis <- data.frame(left, right, z = rep(0:1, c(46, 48)))

# 731 patients with diabetes, as distributed with lifelines 0.30 (interval_diabetes.csv, MIT licence): left, right,
# male (1) or female (0), and how many patients have these three.
counted <- matrix(scan(quiet = TRUE, text = "
0 26 0 1  1 4 1 1  1 10 0 1  1 11 0 1  1 11 1 1  1 13 0 4  1 13 1 1  1 15 0 2  1 15 1 4  1 16 1 4  1 17 1 1  1 18 1 1
1 19 1 1  1 20 0 2  1 20 1 1  1 21 1 1  1 22 1 1  1 23 1 1  1 24 0 1  1 25 0 1  1 25 1 1  1 29 1 1  2 2 0 1  2 16 0 1
2 18 1 2  2 19 1 1  2 20 0 1  2 24 1 2  2 25 1 2  2 28 1 1  2 38 1 1  3 3 0 1  3 3 1 1  3 11 0 1  3 12 0 1  3 15 1 1
3 21 1 1  3 27 1 1  3 28 1 1  3 29 1 1  3 32 1 1  4 4 0 1  4 4 1 1  4 16 0 1  4 18 0 1  4 20 1 1  4 21 0 1  4 21 1 1
4 22 1 1  4 23 1 1  4 25 1 1  4 26 0 1  4 27 0 1  4 27 1 1  4 32 0 1  4 35 1 1  5 5 0 3  5 5 1 1  5 18 1 1  5 19 1 2
5 20 1 1  5 21 0 1  5 22 0 1  5 23 1 1  6 6 0 3  6 6 1 2  6 12 1 1  6 16 1 2  6 17 1 1  6 19 1 2  6 20 1 1  6 21 1 1
6 23 1 1  6 24 1 1  6 30 1 1  7 7 0 5  7 7 1 3  7 16 1 1  7 18 1 1  7 21 1 1  7 22 1 1  7 23 1 1  7 24 1 1  7 42 0 1
8 8 0 4  8 8 1 4  8 16 1 1  8 18 0 1  8 18 1 1  8 20 0 1  8 22 0 1  8 26 1 1  8 32 1 1  9 9 0 10  9 9 1 13  9 15 1 1
9 20 1 1  9 21 0 1  9 23 0 2  9 24 1 1  10 10 0 6  10 10 1 5  10 15 1 1  10 16 0 1  10 19 1 1  10 20 1 1  10 22 1 3
10 23 1 1  10 29 0 1  11 11 0 7  11 11 1 13  11 18 1 1  11 20 0 1  11 22 1 1  11 28 0 1  11 29 1 1  12 12 0 20
12 12 1 16  12 19 1 1  12 23 1 1  12 40 0 1  13 13 0 15  13 13 1 23  13 23 1 1  13 25 1 1  14 14 0 21  14 14 1 27
14 20 1 1  14 23 0 1  14 23 1 1  15 15 0 20  15 15 1 30  15 35 0 1  16 16 0 19  16 16 1 18  16 22 1 1  16 24 1 1
16 37 1 1  17 17 0 12  17 17 1 34  18 18 0 12  18 18 1 20  18 25 1 1  19 19 0 14  19 19 1 29  19 37 0 1  20 20 0 12
20 20 1 23  20 28 1 1  21 21 0 9  21 21 1 15  22 22 0 7  22 22 1 13  22 32 1 1  23 23 0 6  23 23 1 11  24 24 0 4
24 24 1 9  24 27 1 1  25 25 0 3  25 25 1 9  25 26 1 1  26 26 0 5  26 26 1 13  27 27 0 4  27 27 1 3  28 28 0 2
28 28 1 1  29 29 0 1  29 29 1 3  30 30 0 2  30 30 1 4  31 31 0 1  31 31 1 3  32 32 0 1  32 32 1 1  33 33 0 2
33 33 1 1  34 34 0 2  34 34 1 4  37 37 1 1  37 39 1 1  38 38 1 1  40 40 1 3  41 41 0 1  44 44 0 1
"), ncol = 4, byrow = TRUE)
diabetes <- as.data.frame(counted[rep(seq_len(nrow(counted)), counted[, 4]), 1:3])
names(diabetes) <- c("left", "right", "z")

plain <- function(d) {
  d$left[d$left == 0] <- NA  # as survreg wants it
  f <- survreg(Surv(left, right, type = "interval2") ~ z, d, dist = "lognormal",
               control = list(rel.tolerance = 1e-12, maxiter = 100))
  tell("lognormal: log-likelihood", f$loglik[2])
  tell("lognormal: intercept, slope, log scale", coef(f), log(f$scale))
  tell("lognormal: their standard errors", sqrt(diag(vcov(f))))
}
test("test_plain_fit_agrees_with_survreg, cosmesis")
plain(cosmesis)
test("test_plain_fit_agrees_with_survreg, diabetes")
plain(diabetes)
test("test_the_data_are_those_described")
tell("patients in the cosmesis data", nrow(cosmesis))
tell("of them still well when last seen", sum(is.na(cosmesis$right)))
tell("exactly known times in the diabetes data", sum(diabetes$left == diabetes$right))

# ---- batches and days at random, known times ----

# Made up: 6 days of 2 batches of 4 pieces; x1 changes within days, x2 between.
t <- c(
  15.246, 16.238, 11.21, 13.799, 27.866, 31.467, 26.6, 32.377, 19.238, 18.488, 16.533, 18.226, 15.053, 14.477, 18.35,
  15.019, 24.678, 23.049, 15.35, 21.561, 19.094, 22.638, 22.672, 16.72, 19.051, 18.994, 22.792, 16.533, 30.605, 23.24,
  26.067, 24.147, 14.445, 12.658, 16.745, 12.802, 22.946, 22.929, 18.46, 20.003, 14.23, 10.952, 11.957, 11.586, 15.477,
  13.371, 13.809, 14.641
)
x2 <- c(
  -0.2405794275760342, -0.39730769868844346, -0.07450848662857455, 0.12613357141965645, 0.3408139597468928,
  0.032911919796542455
)
d <- data.frame(
  t, g = factor(rep(1:12, each = 4)), day = factor(rep(1:6, each = 8)),
  x1 = rep(rep(0:1, each = 4), 6), x2 = rep(x2, each = 8)
)
k <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, rhobeg = 0.1))
sds <- function(f) as.data.frame(VarCorr(f))$sdcor  # batches, days, pieces
df <- function(f) coef(summary(f, ddf = "Kenward-Roger"))[, "df"]

test("test_batch_effect_agrees_with_lmer")
ml <- lmer(log(t) ~ x1 + x2 + (1 | g), d, REML = FALSE, control = k)
reml <- lmer(log(t) ~ x1 + x2 + (1 | g), d, control = k)
tell("log-likelihood", logLik(ml) - sum(log(d$t)))
tell("coefficients, maximum likelihood", fixef(ml))
tell("sd of pieces, maximum likelihood", sigma(ml))
tell("sd of batches, maximum likelihood", sds(ml)[1])
tell("restricted log-likelihood", logLik(reml))
tell("coefficients", fixef(reml))
tell("standard errors", sqrt(diag(as.matrix(vcov(reml)))))
tell("sd of pieces and of batches", sigma(reml), sds(reml)[1])
tell("degrees of freedom", df(reml))

test("test_day_and_batch_effect_agree_with_lmer; test_very_narrow_brackets_agree_with_known_times holds the same")
ml <- lmer(log(t) ~ x1 + x2 + (1 | day) + (1 | g), d, REML = FALSE, control = k)
reml <- lmer(log(t) ~ x1 + x2 + (1 | day) + (1 | g), d, control = k)
tell("log-likelihood", logLik(ml) - sum(log(d$t)))
tell("sd of pieces, maximum likelihood", sigma(ml))
tell("sd of batches and days, maximum likelihood", sds(ml)[1:2])
tell("restricted log-likelihood", logLik(reml))
tell("coefficients", fixef(reml))
tell("standard errors", sqrt(diag(as.matrix(vcov(reml)))))
tell("sd of pieces, batches and days", sigma(reml), sds(reml)[1:2])
tell("degrees of freedom of a factor within days and of one between (Kenward-Roger)", df(reml)[2:3])
tell("degrees of freedom of the intercept (Kenward-Roger)", df(reml)[1])

test("test_batches_more_alike_than_chance")
m <- lmer(Yield ~ 1 + (1 | Batch), Dyestuff2, control = k)  # says that the fit is singular: the variance is 0
tell("intercept and its standard error", fixef(m), sqrt(diag(as.matrix(vcov(m)))))
tell("variances of pieces and batches", sigma(m)^2, sds(m)[1]^2)

# ---- joint effects of two factors, known times ----
test("test_joint_effects_are_tested_as_by_lmertest")
batch <- factor(rep(1:12, each = 4))
a <- factor(rep(rep(0:1, 6), each = 4))
b <- factor(rep(rep(1:3, 4), each = 4))
contrasts(a) <- contr.sum(2)
contrasts(b) <- contr.sum(3)
print(anova(lmer(log(t) ~ a * b + (1 | batch)), type = 3, ddf = "Satterthwaite"), digits = 8)
day <- factor(rep(1:6, each = 8))
b <- factor(rep(rep(1:2, 3), each = 8))
contrasts(b) <- contr.sum(2)
print(anova(lmer(log(t) ~ a * b + (1 | day) + (1 | batch)), type = 3, ddf = "Satterthwaite"), digits = 8)
