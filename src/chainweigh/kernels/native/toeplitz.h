void cw_solve_toeplitz(const double *column, const double *target, int n, double *space,
                       double *solution);
