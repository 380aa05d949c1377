# REML fits of every setup of a table, one after another; prints seconds and deviances as JSON
suppressPackageStartupMessages(library(lme4))
rows <- read.csv(commandArgs(trailingOnly = TRUE)[1])
rows$shot <- factor(rows$shot)
rows$taster <- factor(rows$taster)
setups <- split(rows, rows$setup)
# without the derivatives lmer works out after it has finished, which nothing here uses
control <- lmerControl(calc.derivs = FALSE, check.conv.singular = "ignore")
fit <- function(d) suppressMessages(lmer(y ~ x1 + x2 + I(x1^2) + I(x2^2) + x1:x2 + (1 | shot) + (1 | taster), d, control = control))
for (d in head(setups, 5)) fit(d)  # byte-compiled before the clock starts
seconds <- system.time(fits <- lapply(setups, fit), gcFirst = TRUE)[["elapsed"]]
cat(sprintf('{"seconds": %.6f, "terms": %d, "deviance": [%s]}', seconds, length(fixef(fits[[1]])),
            paste(sprintf("%.10f", sapply(fits, REMLcrit)), collapse = ", ")))
