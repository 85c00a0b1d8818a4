# Blocked and unbalanced comparisons, odd observations: the values of test_effects_blocks.py.
# Run with R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4-1, multcomp 1.4-22, boot 1.3-28.1
# (Debian 12):
#   Rscript tests/published/r/effects.R

suppressPackageStartupMessages({
  library(lmerTest)
  library(emmeans)
  library(multcomp)
})
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")
exactly <- lmerControl(optCtrl = list(ftol_abs = 1e-15, xtol_abs = 1e-15))
variances <- function(m) as.data.frame(VarCorr(m))$vcov
both <- c(TRUE, TRUE)

test("test_factorial_in_blocks")
a <- anova(lm(yield ~ block + N * P * K, npk))  # N:P:K is confounded with blocks and left out
pairs_too <- c("N", "P", "K", "N:P", "N:K", "P:K")
tell("F of N, P, K and their pairs", a[pairs_too, "F value"])
tell("denominator degrees of freedom", a["Residuals", "Df"])
tell("residual variance", a["Residuals", "Mean Sq"])

test("test_blocks_taken_out_or_at_random, blocks taken out")
fixed <- lm(yield ~ block + N + P + K, npk)
n <- as.data.frame(emmeans(fixed, "N"))
tell("adjusted means of N", n$emmean)
tell("their standard errors", n$SE)
tell("their lower ends", n$lower.CL)
e <- as.data.frame(summary(contrast(emmeans(fixed, "N"), "revpairwise"), infer = both))
tell("effect of N: estimate, df, ends", e$estimate, e$df, e$lower.CL, e$upper.CL)

test("test_blocks_taken_out_or_at_random, blocks at random")
random <- lmer(yield ~ N + P + K + (1 | block), npk, control = exactly)
tell("variances of blocks and plots", variances(random))
e <- as.data.frame(contrast(emmeans(random, "N"), "revpairwise"))
tell("effect of N: estimate, se, df", e$estimate, e$SE, e$df)

test("test_lost_plots_on_the_log_scale, blocks at random")
lost <- npk[-c(2, 11, 17), ]
options(contrasts = c("contr.sum", "contr.poly"))
m <- lmer(log(yield) ~ N * P + K + (1 | block), lost, control = exactly)
a <- anova(m, ddf = "Kenward-Roger")[c("N", "P", "K", "N:P"), ]
tell("variances of blocks and plots", variances(m))
tell("F of N, P, K, N:P", a[, "F value"])
tell("denominator degrees of freedom, Kenward-Roger", a[, "DenDF"])
n <- as.data.frame(emmeans(m, "N", type = "response"))
tell("typical values of N", n$response)
tell("their degrees of freedom", n$df)
tell("their upper ends", n$upper.CL)
e <- emmeans(m, "N", at = list(P = "1"))
e <- as.data.frame(summary(contrast(e, "revpairwise"), infer = both, type = "response"))
tell("ratio of N at P = 1, with its ends", e$ratio, e$lower.CL, e$upper.CL)

test("test_lost_plots_on_the_log_scale, blocks taken out")
n <- as.data.frame(emmeans(lm(log(yield) ~ block + N * P + K, lost), "N", type = "response"))
tell("typical values of N", n$response)
tell("their lower ends", n$lower.CL)
options(contrasts = c("contr.treatment", "contr.poly"))

test("test_comparisons_of_unequal_groups, Dunnett (glht integrates at random: the fourth figure changes)")
set.seed(1)
blankets <- aov(minutes ~ blanket, recovery)
g <- glht(blankets, linfct = mcp(blanket = "Dunnett"))
s <- summary(g)$test
tell("Dunnett's t", s$tstat)
tell("lower ends of Dunnett's intervals", confint(g)$confint[, "lwr"])
# TVPACK does not draw at random, but knows no lower ends: the box is the signed sum over its corners
beyond <- function(q, df, corr) {
  corner <- function(way) prod(way) * pmvt(upper = q * way, df = df, corr = corr, algorithm = TVPACK(1e-14))
  1 - sum(apply(as.matrix(expand.grid(rep(list(c(-1, 1)), nrow(corr)))), 1, corner))
}
tell("Dunnett's p of the blankets", sapply(abs(s$tstat), beyond, g$df, cov2cor(vcov(g))))
for (many in 3:2) {
  tell(paste("one of", many, "above 3, 5, 8"), sapply(c(3, 5, 8), beyond, 9, diag(many) / 2 + 0.5))
}

test("test_comparisons_of_unequal_groups, Tukey")
p <- as.data.frame(summary(pairs(emmeans(blankets, "blanket")), infer = both))
tell("p of all pairs", p$p.value)
tell("ends of their intervals", p$lower.CL)

test("test_odd_plots")
tell("externally studentised residuals of four plots", rstudent(fixed)[c(1, 3, 13, 24)])

test("test_odd_batches_of_the_poisons")
poisons <- boot::poisons
m <- lm(time ~ poison + treat, poisons)
tell("residuals of plots 20 and 42", rstudent(m)[c(20, 42)])

test("test_sameness_is_two_one_sided_t_tests")
b <- split(recovery$minutes, recovery$blanket)
s <- t.test(log(b$b3), log(b$b0), var.equal = TRUE, conf.level = 0.90)
tell("90 % interval of the ratio", exp(s$conf.int))
tell("p of no difference (above 0.05)", s$p.value)
