# Split plots, whole and with lost plots: the values of test_effects_split_plots.py.
# Run with R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4-1, mvtnorm 1.1-3, MASS 7.3-58.2
# (Debian 12):
#   Rscript tests/published/r/split_plots.R

suppressPackageStartupMessages({
  library(lmerTest)
  library(emmeans)
  library(mvtnorm)
})
options(contrasts = c("contr.sum", "contr.poly"))
tell <- function(what, ...) cat(what, ": ", paste(signif(c(...), 12), collapse = ", "), "\n", sep = "")
test <- function(name) cat("\n", name, "\n", sep = "")
exactly <- lmerControl(optCtrl = list(ftol_abs = 1e-15, xtol_abs = 1e-15))
inferred <- function(e) as.data.frame(summary(e, infer = c(TRUE, TRUE)))
kr <- function(m) anova(m, ddf = "Kenward-Roger")
oats <- MASS::oats
beets <- pbkrtest::beets

# Dunnett's chance and limit by a double integral, over the normal errors and over the chi of the standard deviation:
# emmeans' own adjust = "mvt" draws at random, so that its fourth figure changes from run to run.
chance <- function(q, df, corr) {
  chi <- function(s) 2 * s * df * dchisq(s^2 * df, df)
  within <- function(s) sapply(s, function(s) {
    pmvnorm(rep(-q * s, 3), rep(q * s, 3), corr = corr, algorithm = Miwa(512))
  })
  integrate(function(s) chi(s) * within(s), 0, 3, rel.tol = 1e-9)$value
}
limit <- function(df, corr) uniroot(function(q) chance(q, df, corr) - 0.95, c(2, 3), tol = 1e-8)$root

test("test_oats_components_and_tests")
m <- lmer(Y ~ V * N + (1 | B/V), oats, control = exactly)
v <- as.data.frame(VarCorr(m))
tell("variances of whole plots and plots", v$vcov[match(c("V:B", "Residual"), v$grp)])
a <- kr(m)
tell("F of variety, manure and both", a[, "F value"])
tell("denominator degrees of freedom", a[, "DenDF"])
tell("p", a[, "Pr(>F)"])

test("test_oats_comparisons, Dunnett")
manures <- contrast(emmeans(m, "N"), "trt.vs.ctrl")
e <- as.data.frame(manures)
corr <- cov2cor(vcov(manures))
tell("manures less none", e$estimate)
tell("lower ends of Dunnett's intervals", e$estimate - limit(e$df[1], corr) * e$SE)
tell("p of the least manure", 1 - chance(e$t.ratio[1], e$df[1], corr))

test("test_oats_comparisons, Tukey")
e <- inferred(pairs(emmeans(m, "V")))
tell("differences of varieties", e$estimate)
tell("ends of their intervals", e$lower.CL)
tell("p", e$p.value)

test("test_oats_with_lost_plots")
m <- lmer(Y ~ B + V * N + (1 | B:V), oats[-c(1, 10, 23, 24, 38, 56, 61), ], control = exactly)
tell("variances of whole plots and plots", as.data.frame(VarCorr(m))$vcov)
a <- kr(m)[c("V", "N", "V:N"), ]
tell("F", a[, "F value"])
tell("denominator degrees of freedom, Kenward-Roger", a[, "DenDF"])
tell("p", a[, "Pr(>F)"])
manures <- contrast(emmeans(m, "N"), "trt.vs.ctrl")
e <- as.data.frame(manures)
corr <- cov2cor(vcov(manures))
tell("manures less none", e$estimate)
tell("their standard errors", e$SE)
tell("their degrees of freedom", e$df)
tell("upper ends of Dunnett's intervals", e$estimate + sapply(e$df, limit, corr) * e$SE)
tell("p of the least manure", 1 - chance(e$t.ratio[1], e$df[1], corr))
e <- inferred(pairs(emmeans(m, "V")))
tell("p of two pairs of varieties, Tukey", e$p.value[1:2])
tell("p of the third pair, not held to the ten whole plots", e$p.value[3])
tell("an end of its interval, the same", e$lower.CL[3])

test("test_beets_sugar")
m <- lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), beets, control = exactly)
a <- kr(m)
tell("F of the harvest", a["harvest", "F value"])
tell("its degrees of freedom", a["harvest", "DenDF"])
tell("its p", a["harvest", "Pr(>F)"])
tell("F of sowing and its degrees of freedom", a["sow", "F value"], a["sow", "DenDF"])
tell("variances of whole plots and plots", as.data.frame(VarCorr(m))$vcov)

test("test_beets_sugar_with_lost_plots")
m <- lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), beets[-c(3, 8, 20), ], control = exactly)
a <- kr(m)
tell("variances of whole plots and plots", as.data.frame(VarCorr(m))$vcov)
tell("F of the harvest", a["harvest", "F value"])
tell("its degrees of freedom", a["harvest", "DenDF"])
tell("F of sowing", a["sow", "F value"])
tell("its degrees of freedom", a["sow", "DenDF"])
h <- inferred(contrast(emmeans(m, "harvest"), "trt.vs.ctrl", adjust = "none"))
s <- inferred(contrast(emmeans(m, "sow"), "trt.vs.ctrl", adjust = "none"))
tell("effects of harvest and sowing times", h$estimate, s$estimate)
tell("their standard errors", h$SE, s$SE)
tell("a lower end", h$lower.CL)

test("test_a_negative_component_leaves_the_classical_test")
beets$bh <- interaction(beets$block, beets$harvest)
a <- summary(aov(yield ~ block + sow + harvest + Error(bh), beets))
whole <- a[["Error: bh"]][[1]]
plots <- a[["Error: Within"]][[1]]
residual <- function(table) table[grep("Residuals", rownames(table)), ]
of <- function(table, term) table[grep(term, rownames(table)), ]
tell("mean squares of whole plots and plots", residual(whole)[["Mean Sq"]], residual(plots)[["Mean Sq"]])
tell("F of the harvest and its degrees of freedom", of(whole, "harvest")[["F value"]], residual(whole)[["Df"]])
tell("its p", of(whole, "harvest")[["Pr(>F)"]])
tell("F of sowing and its degrees of freedom", of(plots, "sow")[["F value"]], residual(plots)[["Df"]])
