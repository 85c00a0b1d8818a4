# Repeatability of a test: the values of test_repeatability_studies.py. Run with R 4.2.2 and lme4 1.1-31:
#   Rscript tests/published/r/repeatability.R
# Where the design is balanced and no variance is estimated as nought, restricted likelihood and analysis of
# variance give the same variances.

library(lme4)
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 8), collapse = ", "), "\n", sep = "")

# Thermal performance (Houf and Burman 1988): ten parts, three operators by three readings
y <- scan(quiet = TRUE, text = "
37 38 37 41 41 40 41 42 41  42 41 43 42 42 42 43 42 43  30 31 31 31 31 31 29 30 28  42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29  42 42 43 45 45 45 44 46 45  25 26 27 28 28 30 29 27 27  40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26  35 34 34 35 35 34 35 34 35
")
part <- factor(rep(1:10, each = 9))
operator <- factor(rep(rep(1:3, each = 3), 10))
close <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.01, rhoend = 1e-10))
found <- as.data.frame(VarCorr(lmer(y ~ (1 | part) + (1 | operator) + (1 | part:operator), control = close)))
v <- setNames(found$vcov, found$grp)
tell("repeats; operators with their joint effect; parts",
     v["Residual"], v["operator"] + v["part:operator"], v["part"])
