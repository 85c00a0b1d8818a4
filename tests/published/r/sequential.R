# Bounds of planned looks: the values of test_effects_sequential.py.
# Run with R 4.2.2, rpact 3.3.4 (Debian 12):
#   Rscript tests/published/r/sequential.R

suppressPackageStartupMessages(library(rpact))
for (shares in list(1:5 / 5, c(12, 18, 24) / 24, c(12, 15, 30, 36) / 36)) {
  design <- getDesignGroupSequential(sided = 2, alpha = 0.05, informationRates = shares, typeOfDesign = "asOF")
  cat(signif(shares, 4), ":", signif(design$criticalValues, 8), "\n")
}
